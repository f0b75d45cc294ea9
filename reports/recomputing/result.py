"""What came of one comparison."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

UNKNOWN_KEY: Final = (
    "None of this installation's keys signed the head that includes its entry. Where another key signed here before, "
    "name its public key in FORMER_CHECKPOINT_KEYS and do this again: whoever kept it has it from /verify/ or from an "
    "archive (ledger/keys.txt), and the certificate's file names it (record.json, verifier_key)."
)


class Outcome(Enum):
    PROVEN = "proven"
    CHANGED = "proven, and changed since"
    """Later steps that the ledger tells of; nothing is wrong."""
    NOT_COMPARABLE = "not comparable"
    """Another version made it, so that nothing can be said."""
    BAD = "NOT PROVEN"


@dataclass(frozen=True, slots=True)
class Result:
    """`part` is what was compared; `said` is a sentence about it."""

    part: str
    outcome: Outcome
    said: str

    def __str__(self) -> str:
        return f"{self.part}: {self.outcome.value}. {self.said}"


class NotProvenError(Exception):
    """What was issued is not what the records say; the message says where."""

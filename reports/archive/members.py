"""What an archive consists of: the names of its members, its manifest, and the limits within which one is read."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, field
from typing import Any, Final

FORMAT: Final = "levelbook-archive"
VERSION: Final = 1
"""Raised when archives are made up otherwise, so that an older service refuses them."""
MANIFEST: Final = "manifest.json"
DICTIONARY_CSV, DICTIONARY_TEXT = "data-dictionary.csv", "data-dictionary.txt"
ENTRIES, LEAVES, HEADS, KEYS = (
    "ledger/entries.ndjson",
    "ledger/leaves.csv",
    "ledger/heads.ndjson",
    "ledger/keys.txt",
)
LEDGER: Final = (ENTRIES, LEAVES, HEADS, KEYS)
ENDINGS: Final = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp"}
NAME: Final = re.compile(
    r"manifest\.json|data-dictionary\.(?:csv|txt)|tables/[a-z]{1,40}\.[a-z]{1,40}\.csv|certificates/[0-9]{1,10}\.pdf"
    r"|photos/[a-z]{1,40}/[0-9a-f]{64}\.(?:jpg|png|webp)|ledger/[a-z]{1,40}\.(?:ndjson|csv|txt)"
)
"""Every name that a member may have; none leads out of a folder."""
MOST_MEMBERS: Final = 1_000_000
LARGEST_UPLOAD: Final = 256_000_000
"""Bytes of an archive that comes over the network; `manage.py take_in_archive` takes any."""
LARGEST_MANIFEST: Final = 200_000_000
MOST_DENSE: Final = 200
"""Times that a member may grow when it is unpacked; tables of the same word over and over reach some 60."""
DENSITY_FROM: Final = 1_000_000
"""Bytes, below which nobody minds."""


class ArchiveError(Exception):
    """An archive that is not taken: `code` for programs, the member where one is at fault, a sentence for people."""

    def __init__(self, code: str, detail: str, member: str = "") -> None:
        super().__init__(detail)
        self.code, self.detail, self.member = code, detail, member

    def as_dict(self) -> dict[str, str]:
        return {"code": self.code, "detail": self.detail, "member": self.member}


@dataclass(frozen=True, slots=True)
class Member:
    """One file of the archive."""

    name: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What the archive is of. `missing` are pictures that records name and the file store did not have."""

    made_at: str
    made_by: str
    epoch: str
    workshop_id: str
    workshop: str
    origin: str
    """Name of the ledger's tree, as it stands in its heads."""
    counts: dict[str, int]
    """Rows by table; `certificates`, `photos`, `ledger_entries`, `leaves`, `heads`."""
    members: list[Member]
    missing: list[str] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        return {"format": FORMAT, "version": VERSION, **asdict(self)}

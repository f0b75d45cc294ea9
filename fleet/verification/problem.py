"""What is wrong with a record, and how records are named."""

from __future__ import annotations

import uuid
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One bad record: which, and what is wrong with it, in a sentence."""

    record: str
    what: str

    def __str__(self) -> str:
        return f"{self.record}: {self.what}"


def entry_name(entry_id: uuid.UUID, book: uuid.UUID, sequence: int) -> str:
    return f"ledger entry {sequence} of book {book} ({entry_id})"


def leaves_name(first: int, last: int) -> str:
    return f"leaf {last}" if first == last else f"leaves {first} to {last}"


def head_name(size: int) -> str:
    return f"checkpoint of {size} leaves"


def row_name(label: str, key: str) -> str:
    return f"{label} {key}"

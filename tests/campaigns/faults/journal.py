"""What the tablets sent and what they were told about it."""

from __future__ import annotations

import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A record that the service said it has."""

    id: str
    path: str
    status: int
    tries: int


@dataclass
class Journal:
    """Shared by all tablets of a campaign."""

    acknowledged: list[Acknowledged] = field(default_factory=list)
    answers: Counter[str] = field(default_factory=Counter)
    """Every answer, by status, and every failure to get one, by its kind."""
    faults: list[str] = field(default_factory=list)
    """Answers that no tablet must ever get."""
    retries: int = 0

    def __post_init__(self) -> None:
        self._lock = threading.Lock()
        self._grown = threading.Condition(self._lock)

    def note(self, answer: str) -> None:
        with self._lock:
            self.answers[answer] += 1

    def note_retry(self) -> None:
        with self._lock:
            self.retries += 1

    def note_fault(self, text: str) -> None:
        with self._lock:
            self.faults.append(text)

    def acknowledge(self, record: Acknowledged) -> None:
        with self._grown:
            self.acknowledged.append(record)
            self._grown.notify_all()

    def wait_for(self, more: int, patience_s: float) -> bool:
        """Wait until so many more records are acknowledged."""
        deadline = time.monotonic() + patience_s
        with self._grown:
            goal = len(self.acknowledged) + more
            return self._grown.wait_for(lambda: len(self.acknowledged) >= goal, max(0.0, deadline - time.monotonic()))

    def as_json(self) -> list[dict[str, Any]]:
        return [{"id": each.id, "path": each.path} for each in self.acknowledged]

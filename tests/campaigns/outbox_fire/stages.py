"""Where a worker can be lost, by the transactions of `fleet.outbox.perform` and not by its lines, so that the same
places are there in a version with a fault."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

from fleet import outbox

STAGES: Final = ("claiming", "claimed", "effect", "marking", "marked")
"""In the first transaction; after it; the handler is done; in the second transaction, at its end; after it."""
AFTER_SENDING: Final = frozenset({"effect", "marking"})
"""Lost there, what has left the database goes out once more, under the same id."""

Reached = Callable[[str], None]


def plant(reached: Reached) -> None:
    """Have `reached` told of each stage that this process comes to."""
    entered, left = iter(("claiming", "marking")), iter(("claimed", "marked"))
    usual = getattr(outbox, "in_workshop")  # noqa: B009

    @contextmanager
    def in_workshop(workshop_id: Any, **options: Any) -> Iterator[None]:
        with usual(workshop_id, **options):
            yield
            reached(next(entered, ""))
        reached(next(left, ""))

    setattr(outbox, "in_workshop", in_workshop)  # noqa: B010  (a name that it does not export)
    for kind, handler in list(outbox.handlers().items()):
        outbox.handlers()[kind] = _told(handler, reached)


def _told(handler: outbox.Handler, reached: Reached) -> outbox.Handler:
    def handled(*args: Any) -> None:
        handler(*args)
        reached("effect")

    return handled


def killed_at(stage: str) -> Reached:
    """As by `kill -9`, which nothing in the process can do anything about."""

    def reached(place: str) -> None:
        if place == stage:
            os.kill(os.getpid(), signal.SIGKILL)

    return reached

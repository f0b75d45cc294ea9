"""A worker in a process of its own that performs one outbox item, and can be held in the middle of it.

`hold` stops it while it draws, its number taken and nothing committed: it says so on standard output and goes on
after a line on standard input. `hold_after_sending` stops it where an e-mail or a webhook's message has been taken by
the other side and nothing of that is committed. `without_locks` is the seeded fault: the item's and the job's row
locks and the look for a certificate already made are taken out.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from typing import Any

from fleet import outbox
from fleet.models import OutboxItem
from tests.forked import Forked, forked


def worker(item: OutboxItem, *changes: Callable[[], None]) -> AbstractContextManager[Forked]:
    """Performs the item on the database of this test, `changes` made before."""

    def work() -> None:
        for change in changes:
            change()
        done = outbox.perform(item.workshop_id, item.pk)
        sys.stdout.write(f"{'done' if done else 'not done'}\n")

    return forked(work)


def hold() -> None:
    from reports.services import certificates

    draw = certificates._drawn

    def held(*args: Any, **options: Any) -> Any:
        sys.stdout.write("drawing\n")
        sys.stdout.flush()
        sys.stdin.readline()
        return draw(*args, **options)

    certificates._drawn = held


def hold_after_sending() -> None:
    from django.core.mail import EmailMessage

    from reports.outbound import target
    from reports.services import webhook_deliveries

    target._lookups = ThreadPoolExecutor(1)  # the threads of the other process did not come along

    def held(send: Any) -> Any:
        def sent(*args: Any, **options: Any) -> Any:
            answer = send(*args, **options)
            sys.stdout.write("sent\n")
            sys.stdout.flush()
            sys.stdin.readline()
            return answer

        return sent

    EmailMessage.send = held(EmailMessage.send)  # type: ignore[method-assign]
    setattr(webhook_deliveries, "send", held(getattr(webhook_deliveries, "send")))  # noqa: B009, B010


def without_locks() -> None:
    from django.db.models import QuerySet

    from fleet import ledger, outbox
    from fleet.ids import new_id
    from reports.services import certificates
    from tests.reports.sample_proof import sample_proof

    def unlocked(queryset: QuerySet[Any], *_args: Any, **_options: Any) -> QuerySet[Any]:
        return queryset.all()

    QuerySet.select_for_update = unlocked  # type: ignore[method-assign,assignment]
    outbox._still_ours = lambda _item: True  # type: ignore[assignment]
    numbers = itertools.count(new_id().int % 1_000_000 + 1)
    setattr(certificates, "next_number", lambda _actor, _series: next(numbers))  # noqa: B010
    # The ledger's book and its tree have one writer at a time each.
    ledger.append = lambda *_args, **_options: None  # type: ignore[assignment]
    setattr(certificates, "_recorded", lambda _actor, _certificate, snapshot: sample_proof(snapshot))  # noqa: B010

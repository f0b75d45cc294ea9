"""Calls that begin together, each on a connection of its own, and outbox items that several workers perform at once."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final

from django.db import connection
from django.utils import timezone

from fleet import outbox
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from tests.factories import Site

PATIENCE_S: Final = 120


def together(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    """What each gave; an error that one raised stands in its place."""
    answers: list[Any] = [None] * len(calls)
    start = threading.Barrier(len(calls))

    def run(index: int) -> None:
        start.wait(timeout=PATIENCE_S)
        try:
            answers[index] = calls[index]()
        except Exception as error:  # noqa: BLE001  (whoever asked looks at it)
            answers[index] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(index,)) for index in range(len(calls))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=PATIENCE_S)
    assert not any(thread.is_alive() for thread in threads)
    return answers


def performed_by_many(site: Site, *kinds: str, workers: int = 4) -> None:
    """Whatever there is of these kinds until nothing waits; several workers take each item at once.

    An item that failed comes back at once and not after its pause.
    """
    while items := _waiting(site, kinds):
        together([partial(outbox.perform, site.workshop.pk, each) for each in items for _worker in range(workers)])
        with in_workshop(site.workshop.pk):
            OutboxItem.objects.filter(pk__in=items, state="waiting").update(due_at=timezone.now(), leased_until=None)


def errors_of(site: Site, *kinds: str) -> list[str]:
    """Of the work that failed for good."""
    with in_workshop(site.workshop.pk):
        return list(OutboxItem.objects.filter(kind__in=kinds, state="parked").values_list("error", flat=True))


def _waiting(site: Site, kinds: Sequence[str]) -> list[Any]:
    with in_workshop(site.workshop.pk):
        found = OutboxItem.objects.filter(kind__in=kinds, state="waiting", due_at__lte=timezone.now())
        return list(found.order_by("created_at", "id").values_list("pk", flat=True))

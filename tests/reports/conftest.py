"""A workshop for each test, and the outbox performed without a broker."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from pytest_django import DjangoDbBlocker

    from fleet.models import OutboxItem
    from tests.factories import Site
    from tests.reports.jobs import Bench
    from tests.reports.workshops import Busy


@pytest.fixture
def no_hints(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody listens: hints are lost, as with a broker that was wiped."""
    from fleet import outbox

    monkeypatch.setattr(outbox, "hint", lambda _workshop, _item: None)


@pytest.fixture
def site(equipped_site: Site, db: None, no_hints: None) -> Site:
    return deepcopy(equipped_site)


@pytest.fixture
def ready(site: Site) -> Bench:
    """A job whose vehicle has been checked and waits to be measured."""
    from tests.reports.jobs import Bench

    bench = Bench.at(site)
    bench.receive()
    bench.check_readiness()
    return bench


@pytest.fixture
def items() -> Callable[..., list[OutboxItem]]:
    """The workshop's outbox items of a kind, oldest first."""

    def of_kind(site: Site, kind: str, **payload: str) -> list[OutboxItem]:
        from fleet.models import OutboxItem
        from fleet.tenancy import in_workshop

        with in_workshop(site.workshop.pk):
            found = OutboxItem.objects.filter(kind=kind).order_by("created_at", "id")
            return [item for item in found if payload.items() <= item.payload.items()]

    return of_kind


@pytest.fixture
def quiet(site: Site, perform_all: Callable[[Site], object]) -> Site:
    """What came with founding the workshop is done."""
    from django.core import mail

    perform_all(site)
    mail.outbox.clear()
    return site


@pytest.fixture
def perform_all() -> Callable[[Site], Iterator[str]]:
    """Perform what is due until nothing is; gives the kinds in the order done."""

    def perform(site: Site) -> list[str]:
        from fleet import outbox
        from fleet.tenancy import in_workshop

        done: list[str] = []
        while True:
            with in_workshop(site.workshop.pk):
                item = _due().order_by("created_at", "id").first()
            if item is None:
                return done
            assert outbox.perform(site.workshop.pk, item.pk), (item.kind, _error(item))
            done.append(item.kind)

    return perform  # type: ignore[return-value]


def _due() -> QuerySet[OutboxItem]:
    """Tomorrow's work waits for tomorrow, though a test may run at six in the morning, when a daily round that was
    planned comes; and heads of the ledger's tree are no matter of these tests."""
    from django.db.models import F, Q
    from django.utils import timezone

    from fleet.ledger import CHECKPOINT_KIND
    from fleet.models import OutboxItem
    from reports.services.daily_round import KIND

    of_tomorrow = Q(kind=KIND, due_at__gt=F("created_at"))
    due = OutboxItem.objects.filter(state="waiting", due_at__lte=timezone.now())
    return due.exclude(of_tomorrow | Q(kind=CHECKPOINT_KIND))


def _error(item: OutboxItem) -> str:
    from fleet.models import OutboxItem
    from fleet.tenancy import in_workshop

    with in_workshop(item.workshop_id):
        return OutboxItem.objects.get(pk=item.pk).error


@pytest.fixture(scope="session")
def busy(django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory) -> Busy:
    """A standing workshop with something of everything, and the archive of it."""
    from tests.reports.workshops import Busy, busy_site, exported

    with django_db_blocker.unblock():
        site = busy_site()
        kept = tmp_path_factory.mktemp("archive") / "workshop.zip"
        kept.write_bytes(exported(site).read_bytes())
        return Busy(site, kept)

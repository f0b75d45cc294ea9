"""Many devices with one code at once, on real commits: exactly one becomes a tablet."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from django.db.models import QuerySet

from fleet.models import EnrolmentCode, Tablet
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site
from tests.fleet.test_races import at_once

from .test_tablets import code_by, enrol

CLIENTS = 20


@pytest.fixture
def site(committed_db: None, monkeypatch: pytest.MonkeyPatch) -> Site:
    from fleet.api.throttling import EnrolmentThrottle

    monkeypatch.setattr(EnrolmentThrottle, "default_rate", "1000/min")
    return make_site()


def raced(site: Site, clients: int) -> tuple[Counter[int], int]:
    code = code_by(site.manager)
    answers: list[Any] = at_once(clients, lambda number: enrol(code, device=f"Bay {number}"))
    with in_workshop(site.workshop.pk):
        return Counter(answer.status_code for answer in answers), Tablet.objects.count()


def test_one_code_raced_by_twenty_devices_makes_one_tablet(site: Site) -> None:
    assert raced(site, CLIENTS) == (Counter({404: CLIENTS - 1, 201: 1}), 1)


def test_without_the_lock_the_same_race_is_lost(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: the test above would notice a code that is read without its lock."""

    def unlocked(self: QuerySet[Any], *_arguments: Any, **_options: Any) -> QuerySet[Any]:
        return self

    monkeypatch.setattr(type(EnrolmentCode.objects.all()), "select_for_update", unlocked)
    assert raced(site, CLIENTS)[1] > 1

"""A job in which a proposal waits for approval and a finding for a ruling, seen by people in browsers."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from datetime import timedelta

import pytest
from django.core.cache import cache
from django.test import Client
from pytest_django import DjangoDbBlocker

from calibration.models import Approval, Finding, Job
from fleet.tenancy import in_workshop
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Person, Site, make_site
from tests.fleet.signin.browsers import browser_of


@dataclass(frozen=True)
class Asked:
    """What waits, and whom it is about."""

    site: Site
    bench: Bench
    approval: Approval
    finding: Finding

    @property
    def job(self) -> Job:
        return self.bench.job

    @property
    def approval_path(self) -> str:
        return f"/approvals/{self.approval.pk}/"

    @property
    def finding_path(self) -> str:
        return f"/findings/{self.finding.pk}/"

    def measured_again(self) -> None:
        """A fact that takes the proposal's place."""
        with in_workshop(self.site.workshop.pk):
            self.bench.measure({"FL": 471})

    def note(self) -> None:
        """A fact that changes the job's record and no more."""
        with in_workshop(self.site.workshop.pk):
            self.bench.ready()


def asked_in(site: Site) -> Asked:
    """One round with an overdue tape, and a corner that nothing significant frees is to be moved."""
    with in_workshop(site.workshop.pk):
        bench = Bench.open(site)
        first_day = site.began_at.date()
        bench.instrument = site.instrument(
            calibrated_on=first_day - timedelta(days=370), calibration_due_on=first_day - timedelta(days=5)
        )
        bench.ready()
        bench.measure({"FL": 470})
        bench.enter(RR=COUNTS["RR"] + 1)
        return Asked(site, bench, Approval.objects.get(), Finding.objects.get(code="instrument_overdue"))


@pytest.fixture(autouse=True)
def _no_throttle_history() -> None:
    """All browsers of one test process sign in from one address."""
    cache.clear()


@pytest.fixture(scope="session")
def standing_asked(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Asked:
    """Stays; what a test does to it is rolled back."""
    with django_db_blocker.unblock():
        return asked_in(make_site())


@pytest.fixture
def asked(standing_asked: Asked, db: None) -> Asked:
    return deepcopy(standing_asked)


@pytest.fixture
def site(request: pytest.FixtureRequest, standing_sites: tuple[Site, Site], db: None) -> Site:
    """That of what is asked, where a test asks for it; otherwise one in which there is nothing."""
    return request.getfixturevalue("asked").site if "asked" in request.fixturenames else deepcopy(standing_sites[0])


@pytest.fixture
def manager(site: Site) -> Client:
    return browser_of(site.manager)


@pytest.fixture
def another(site: Site) -> Callable[..., Client]:
    """The browser of somebody else with these roles."""

    def browser(*roles: str, **fields: object) -> Client:
        person: Person = site.person(*roles, **fields)
        return browser_of(person)

    return browser

"""What calibration tells the pages of the set-up: how well people repeat readings, and how many jobs there are."""

from __future__ import annotations

from dataclasses import replace

import pytest
from django.utils import timezone

from calibration.models import RepeatabilitySums
from fleet.ids import new_id
from fleet.selectors.repeatability import (
    PersonWithInstrument,
    repeatability_of_people,
    repeatability_with_instruments,
)
from fleet.selectors.set_up import Jobs, set_up_of
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site
from tests.reports import jobs


@pytest.fixture
def site(db: None) -> Site:
    return make_site()


def test_each_pair_of_which_something_is_known_is_told_with_its_slips(site: Site) -> None:
    bench = jobs.left_alone(site)
    person, instrument = site.technician.membership, bench.instrument
    with in_workshop(site.workshop.pk):
        RepeatabilitySums.objects.filter(membership=person, instrument=instrument).delete()
        RepeatabilitySums.objects.create(
            id=new_id(),
            membership=person,
            instrument=instrument,
            sum_of_squares_mm2=50.0,
            degrees_of_freedom=100,
            groups=104,
            slips=4,
        )
        (known,) = repeatability_of_people([person.pk])
        assert repeatability_with_instruments([instrument.pk]) == [known]
        assert repeatability_of_people([site.manager.membership.pk]) == []
        assert repeatability_of_people([]) == repeatability_with_instruments([]) == []
    expected = PersonWithInstrument(person.pk, person.name, instrument.pk, instrument.serial, 0.0, 104, 4)
    assert replace(known, standard_deviation_mm=0.0) == expected
    assert known.slip_percent == pytest.approx(100 * 4 / 104)
    assert known.standard_deviation_mm == pytest.approx(0.71, abs=0.03)  # √(50/100), hardly moved by the prior


def test_another_workshops_people_are_not_told(site: Site) -> None:
    jobs.left_alone(site)
    with in_workshop(make_site().workshop.pk):
        assert repeatability_of_people([site.technician.membership.pk]) == []


def test_jobs_are_counted_and_those_signed_off(site: Site) -> None:
    def counted() -> Jobs:
        with in_workshop(site.workshop.pk):
            return set_up_of(site.manager.actor(timezone.now())).jobs

    assert counted() == Jobs(0, 0)
    jobs.left_alone(site)
    assert counted() == Jobs(1, 1)

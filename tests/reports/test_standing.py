"""What is known of vehicles between jobs: outside, stopped, paused, not completed; and what is still to be done."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from calibration.metrology.conformity import verdict
from calibration.models import DriftState
from calibration.selectors.drift import last_measured_outside
from calibration.services.jobs import job_pause
from fleet import services
from fleet.days import workshop_zone
from fleet.ids import new_id
from fleet.models import Vehicle
from fleet.services.vehicle_facts import event_record
from fleet.tenancy import in_workshop
from reports.selectors.standing import Known, Standing, standing_of, standings_of, urgent_first, with_known
from reports.standing_words import outstanding
from tests.factories import Person, Site

from . import drifting, jobs

Perform = Callable[[Site], list[str]]


def standing(site: Site, vehicle: Vehicle, person: Person | None = None) -> Standing:
    with in_workshop(site.workshop.pk):
        return standing_of((person or site.manager).actor(), Vehicle.objects.get(pk=vehicle.pk))


def told(site: Site, vehicle: Vehicle, person: Person | None = None) -> str:
    found = standing(site, vehicle, person)
    return "\n".join(outstanding(found, "mm", UTC))


def done_to(site: Site, vehicle: Vehicle, kind: str, corner: str = "") -> None:
    with in_workshop(site.workshop.pk):
        event_record(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle=Vehicle.objects.get(pk=vehicle.pk),
            kind=kind,
            corner=corner,
            happened_at=timezone.now(),
        )


class TestOutside:
    def test_one_checked_and_found_too_low_is_and_says_where_and_when(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=3, instrument=site.instrument(), FL=472)
        perform_all(site)
        found = standing(site, vehicle)
        assert (found.known, found.verdict) == (Known.OUTSIDE, "outside")
        assert found.measured_at is not None
        assert timedelta(days=2) < timezone.now() - found.measured_at < timedelta(days=4)
        assert "Front left: 14.0 mm too low, the tolerance is 6.0 mm." in told(site, vehicle)

    def test_work_at_a_corner_leaves_no_verdict_on_the_measurement_before_it(
        self, site: Site, perform_all: Perform
    ) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=3, instrument=site.instrument())
        perform_all(site)
        assert standing(site, vehicle).verdict == "within"
        done_to(site, vehicle, "spring_replaced", "FL")
        perform_all(site)
        assert standing(site, vehicle).verdict is None

    def test_it_is_so_before_any_alert_was_judged(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=3, instrument=site.instrument(), FL=472)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            vehicle.drift_alerts.all().delete()
        assert standing(site, vehicle).known == Known.OUTSIDE

    def test_a_side_difference_beyond_its_limit_is_by_its_alert(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        for days_ago in (9, 6, 3):
            drifting.checked(site, vehicle, days_ago=days_ago, instrument=site.instrument(), FL=492, FR=479)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            kinds = set(vehicle.drift_alerts.filter(state="open").values_list("kind", flat=True))
        assert "uneven" in kinds
        assert standing(site, vehicle).known == Known.OUTSIDE

    def test_one_within_and_one_never_measured_are_not(self, site: Site, perform_all: Perform) -> None:
        within, never = site.vehicle(), site.vehicle()
        drifting.checked(site, within, days_ago=3, instrument=site.instrument())
        perform_all(site)
        assert (standing(site, within).known, standing(site, within).verdict) == (None, "within")
        assert (standing(site, never).known, standing(site, never).verdict) == (None, None)
        assert told(site, within) == told(site, never) == ""

    def test_one_adjusted_since_is_not(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.adjusted(site)
        perform_all(site)
        assert (standing(site, bench.vehicle).known, standing(site, bench.vehicle).verdict) == (None, "within")

    @pytest.mark.parametrize("off", [0.0, -9.9, 3.2, 3.6, 8.4, 8.5, -8.4, -8.5, 30.0, float("nan")])
    def test_the_database_judges_the_last_measurement_as_the_calculation_does(
        self, site: Site, perform_all: Perform, off: float
    ) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=3, instrument=site.instrument())
        perform_all(site)
        with in_workshop(site.workshop.pk):
            DriftState.objects.filter(corner="RL").update(last_mm=off, last_expanded=2.45, tolerance_mm=6.0)
            found = set(last_measured_outside().values_list("corner", flat=True))
        is_outside = bool(np.isfinite(off)) and verdict(off, 2.45, 6.0) == "outside"
        assert found == ({"RL"} if is_outside else set())


class TestInTheBay:
    def test_a_paused_job_is_known_with_its_reason(self, site: Site, ready: jobs.Bench) -> None:
        with in_workshop(site.workshop.pk):
            job_pause(actor=ready.actor(), record_id=new_id(), job_id=ready.job_id, reason="A spring is on order.")
        assert standing(site, ready.vehicle).known == Known.PAUSED
        assert "paused: A spring is on order." in told(site, ready.vehicle)

    def test_a_job_that_goes_no_further_is_known(self, site: Site, ready: jobs.Bench, perform_all: Perform) -> None:
        ready.measure(jobs.WITHIN)
        ready.leak_test(RR=40)
        perform_all(site)
        assert standing(site, ready.vehicle).known == Known.STOPPED
        assert "Stopped: to be looked at." in told(site, ready.vehicle)

    def test_one_that_goes_on_is_only_in_the_bay(self, site: Site, ready: jobs.Bench) -> None:
        ready.measure(jobs.WITHIN)
        assert standing(site, ready.vehicle).known is None
        assert "In the bay since" in told(site, ready.vehicle)

    def test_what_an_earlier_job_left_undone_rests_in_the_meantime(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.ended(site)
        done_to(site, bench.vehicle, "leak_repaired", "RL")
        bench.receive()
        assert "Adjustment not completed" not in told(site, bench.vehicle)


class TestNotCompleted:
    def test_a_job_that_ended_otherwise_names_its_report_and_what_to_mend(
        self, site: Site, perform_all: Perform
    ) -> None:
        bench = jobs.Bench.at(site)
        bench.receive()
        bench.check_readiness(leakage={"outcome": "fail", "note": "hiss at the rear left"})
        bench.end()
        assert standing(site, bench.vehicle).known == Known.NOT_COMPLETED
        assert f"Job {bench.job.number if bench.job else 0} ended on" in told(site, bench.vehicle)
        perform_all(site)
        assert standing(site, bench.vehicle).known == Known.NOT_COMPLETED
        sentences = told(site, bench.vehicle)
        assert "Adjustment not completed: findings report no. 1 of" in sentences
        assert "hiss at the rear left" in sentences

    def test_outside_tolerance_comes_first(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.ended(site)
        perform_all(site)
        assert standing(site, bench.vehicle).known == Known.OUTSIDE
        assert "Adjustment not completed: findings report no. 1 of" in told(site, bench.vehicle)

    def test_the_next_job_that_is_signed_off_ends_it(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.ended(site)
        later = jobs.Bench.at(site, vehicle=bench.vehicle)
        later.now = bench.now + timedelta(minutes=5)
        later.receive()
        later.check_readiness()
        later.measure(jobs.WITHIN)
        later.sign_off()
        perform_all(site)
        assert standing(site, bench.vehicle).known is None
        assert told(site, bench.vehicle) == ""


class TestAdvised:
    def test_work_that_a_certificate_advises_is_said_and_makes_nothing_urgent(
        self, site: Site, perform_all: Perform
    ) -> None:
        bench = jobs.adjusted(site)
        perform_all(site)
        assert standing(site, bench.vehicle).known is None
        assert "Advised by no. 1, not on record as done: headlamp aim, wheel alignment, driver assistance." in told(
            site, bench.vehicle
        )

    def test_an_alignment_since_ends_its_part(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.adjusted(site)
        done_to(site, bench.vehicle, "alignment")
        perform_all(site)
        assert "wheel alignment" not in told(site, bench.vehicle)
        assert "headlamp aim, driver assistance." in told(site, bench.vehicle)


class TestWhoLearnsIt:
    def test_a_later_operator_learns_how_it_was_measured_and_nothing_of_the_job(
        self, site: Site, perform_all: Perform
    ) -> None:
        bench = jobs.ended(site)
        perform_all(site)
        new = site.operator()
        with in_workshop(site.workshop.pk):
            vehicle = Vehicle.objects.get(pk=bench.vehicle.pk)
            services.vehicle_update(
                actor=site.manager.actor(),
                vehicle_id=vehicle.pk,
                expected_versions=[vehicle.version],
                changes={"operator": new.pk},
            )
        contact = site.person("operator_contact", operator=new.pk)
        found = standing(site, vehicle, contact)
        assert (found.known, found.document, found.last_job, found.alerts) == (Known.OUTSIDE, None, None, ())
        assert told(site, vehicle, contact) == ""


class TestLists:
    def test_what_is_known_comes_before_what_is_due_and_that_before_the_rest(
        self, site: Site, perform_all: Perform
    ) -> None:
        tape, operator = site.instrument(), site.operator()
        fleet = {name: site.vehicle(operator=operator, registration=name) for name in ("A FINE", "B LATE", "C LOW")}
        drifting.checked(site, fleet["A FINE"], days_ago=3, instrument=tape)
        drifting.checked(site, fleet["B LATE"], days_ago=300, instrument=tape)
        drifting.checked(site, fleet["C LOW"], days_ago=3, instrument=tape, FL=472)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            found = urgent_first(Vehicle.objects.filter(operator=operator), site.manager.actor())
            assert [each.registration for each in found] == ["C LOW", "B LATE", "A FINE"]

    def test_more_vehicles_ask_no_more_queries(self, site: Site, perform_all: Perform) -> None:
        done = [jobs.ended(site).vehicle, jobs.adjusted(site).vehicle, jobs.ended(site).vehicle]
        perform_all(site)
        counts = []
        with in_workshop(site.workshop.pk):
            workshop_zone()  # comes with who calls
            for some in (done[:1], done):
                with CaptureQueriesContext(connection) as seen:
                    actor = site.manager.actor()
                    rows = with_known(Vehicle.objects.filter(pk__in=[each.pk for each in some]), actor)
                    standings_of(actor, dict(rows.values_list("pk", "known")))
                counts.append(len(seen))
        assert counts[0] == counts[1] <= 12


def test_a_note_on_an_alert_is_said_with_it(site: Site, perform_all: Perform) -> None:
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=3, instrument=site.instrument(), FL=472)
    perform_all(site)
    found = standing(site, vehicle)
    for alert in found.alerts:
        alert.note = "A spring is on order."
    assert "To be done: A spring is on order." in " ".join(outstanding(found, "mm", UTC))

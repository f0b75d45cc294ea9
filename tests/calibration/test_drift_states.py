"""Drift states are what following everything on record from the beginning gives, however it arrived."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from calibration.metrology.corners import CORNERS
from calibration.metrology.drift_series import Measured, Moved, PutRight, Worked
from calibration.models import DriftRatePrior, DriftSeries, DriftState
from calibration.rules.check_due import months_after
from calibration.rules.drift_course import time_of_day
from calibration.selectors.drift import stored_state
from calibration.selectors.drift_series import series_of
from calibration.services import drift
from calibration.services.height_checks import height_check_record
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem, Vehicle
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.factories import Site

HOURS_A_YEAR = 24 * 365


def bring_up_to_date(site: Site, vehicle: Vehicle) -> None:
    drift.drift_bring_up_to_date(actor=Actor.system(site.workshop.pk, timezone.now()), vehicle_id=vehicle.pk)


def agrees_with_replay(vehicle: Vehicle) -> bool:
    kept, anew = stored_state(vehicle), series_of(vehicle).followed()
    same = np.array_equal(kept.states.table(), anew.states.table(), equal_nan=True)
    return same and (kept.basis == anew.basis or not anew.states.visits.any())


def visit(site: Site, vehicle: Vehicle, hours_ago: float, **heights: float) -> Bench:
    """A job in which the vehicle was measured once."""
    bench = Bench.open(site, vehicle, hours_ago=hours_ago)
    bench.ready()
    bench.measure(heights)
    return bench


def check(site: Site, vehicle: Vehicle, hours_ago: float, *, loading: str = "as_specified", **heights: float) -> None:
    """A height check with one reading a corner."""
    at = timezone.now() - timedelta(hours=hours_ago)
    read = {**TRUE_HEIGHTS, **heights}
    height_check_record(
        actor=site.technician.actor(at),
        record_id=new_id(),
        vehicle=vehicle,
        taken_at=at,
        readings=[{"corner": corner, "height_mm": Decimal(str(height))} for corner, height in read.items()],
        loading=loading,
    )


def kinds(vehicle: Vehicle) -> list[str]:
    return [type(each).__name__ for each in series_of(vehicle).observations]


class TestSeries:
    def test_a_job_tells_its_pools_its_writes_and_its_sign_off(self, site: Site) -> None:
        vehicle = site.vehicle()
        bench = visit(site, vehicle, 8, FL=470)
        bench.write(bench.propose())
        bench.measure()
        bench.measure()
        bench.sign_off()
        assert kinds(vehicle) == ["Judged", "Measured", "Moved", "Measured", "PutRight"]
        found, moved, left = (each for each in series_of(vehicle).observations if isinstance(each, Measured | Moved))
        assert isinstance(found, Measured)
        assert isinstance(moved, Moved)
        assert isinstance(left, Measured)
        assert found.height_mm == (470.0, 486.0, 504.0, 504.0)
        assert left.variance_mm2[0] < found.variance_mm2[0], "two rounds are pooled"
        assert moved.change_mm[0] > 10
        assert math.isnan(moved.change_mm[1])

    def test_the_uncertainty_is_that_of_the_assessment(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8, FL=492)
        (told,) = (each for each in series_of(bench.vehicle).observations if isinstance(each, Measured))
        assessed = bench.standing.assessment
        assert assessed is not None
        for place, corner in enumerate(assessed.corners):
            assert told.height_mm[place] == corner.mean_mm
            assert told.variance_mm2[place] == pytest.approx(corner.standard_uncertainty_mm**2)
            assert told.expanded_uncertainty_mm[place] == corner.expanded_uncertainty_mm

    def test_an_event_breaks_the_series_of_its_corner(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8)
        bench.event("sensor_replaced", "RL")
        bench.event("other")
        worked = [each for each in series_of(bench.vehicle).observations if isinstance(each, Worked)]
        assert [each.corners for each in worked] == [(False, False, True, False)]
        bring_up_to_date(site, bench.vehicle)
        assert [row.visits for row in DriftState.objects.filter(vehicle=bench.vehicle)] == [1, 1, 0, 1]

    def test_set_points_changed_elsewhere_unsettle_the_level(self, site: Site) -> None:
        vehicle = site.vehicle()
        visit(site, vehicle, 800).end()
        bench = Bench.open(site, vehicle, hours_ago=8, setpoints={"FL": 140, "FR": 120, "RL": 118, "RR": 121})
        bench.measure({"FL": 500})
        (moved,) = (each for each in series_of(vehicle).observations if isinstance(each, Moved))
        assert moved.change_mm[0] == 0
        assert moved.variance_mm2[0] > 1e5
        assert math.isnan(moved.change_mm[1])
        assert series_of(vehicle).followed().states.level[0] == pytest.approx(14, abs=0.1)

    def test_a_concession_holds_until_the_next_job_opens(self, site: Site) -> None:
        vehicle = site.vehicle()
        bench = Bench.open(site, vehicle, hours_ago=900)
        bench.ready()
        bench.concede(500, 518)
        bench.decide()
        bench.measure({"FL": 500, "FR": 500, "RL": 518, "RR": 518})
        bench.end()
        bring_up_to_date(site, vehicle)
        assert [row.target_mm for row in DriftState.objects.filter(vehicle=vehicle)] == [500, 500, 518, 518]
        assert [abs(row.level) < 0.01 for row in DriftState.objects.filter(vehicle=vehicle)] == [True] * 4
        Bench.open(site, vehicle, hours_ago=8)
        bring_up_to_date(site, vehicle)
        assert [row.target_mm for row in DriftState.objects.filter(vehicle=vehicle)] == [486, 486, 504, 504]
        assert [round(row.level) for row in DriftState.objects.filter(vehicle=vehicle)] == [14] * 4

    def test_rounds_at_another_position_or_unsettled_or_sent_twice_tell_nothing(self, site: Site) -> None:
        bench = Bench.open(site)
        bench.measure(ride_position="raised")
        bench.measure(settled=False)
        assert kinds(bench.vehicle) == ["Judged"]

    def test_a_late_round_after_sign_off_is_told_once(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8)
        bench.sign_off()
        bench.measure({"FL": 487})
        told = [each for each in series_of(bench.vehicle).observations if isinstance(each, Measured | PutRight)]
        assert len(told) == 2

    def test_a_height_check_is_told_and_one_under_another_load_is_not(self, site: Site) -> None:
        vehicle = site.vehicle()
        check(site, vehicle, hours_ago=20, FL=490)
        check(site, vehicle, hours_ago=10, FL=430, loading="other")
        (told,) = series_of(vehicle).observations
        assert isinstance(told, Measured)
        assert told.height_mm == (490, 486, 504, 504)
        assert OutboxItem.objects.filter(kind=drift.CHANGED_KIND).count() == 2
        bring_up_to_date(site, vehicle)
        assert agrees_with_replay(vehicle)

    def test_a_vehicle_without_specification_has_no_series(self, site: Site) -> None:
        vehicle = site.vehicle(vehicle_model=site.vehicle_model())
        visit(site, vehicle, 8)
        bring_up_to_date(site, vehicle)
        assert not DriftSeries.objects.filter(vehicle=vehicle).exists()
        assert not DriftState.objects.filter(vehicle=vehicle).exists()


class TestKeeping:
    def test_what_tells_of_drift_asks_for_it_to_be_brought_up_to_date(self, site: Site) -> None:
        bench = Bench.open(site)

        def asked(kind: str = drift.CHANGED_KIND) -> int:
            return OutboxItem.objects.filter(kind=kind, payload={"vehicle": str(bench.vehicle.pk)}).count()

        bench.ready()
        assert asked() == 0
        bench.measure()
        assert asked() == 1
        bench.strike(bench.case.rounds[-1].reading_rows[0].pk, 487, site.manager)  # type: ignore[attr-defined]
        assert asked() == 2
        bench.event("spring_replaced", "FL")
        assert asked("fleet.service_event_recorded") == 1
        bench.end()
        assert asked() == 3

    def test_repeated_it_changes_nothing(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8, FL=489)
        bring_up_to_date(site, bench.vehicle)
        before = repr(DriftState.objects.values())
        bring_up_to_date(site, bench.vehicle)
        assert repr(DriftState.objects.values()) == before
        assert DriftState.objects.count() == 4

    def test_of_a_vehicle_that_is_gone_it_does_nothing(self, site: Site) -> None:
        actor = Actor.system(site.workshop.pk, timezone.now())
        assert drift.drift_bring_up_to_date(actor=actor, vehicle_id=new_id()) is None

    def test_other_calculations_follow_it_anew(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8, FL=489)
        bring_up_to_date(site, bench.vehicle)
        DriftSeries.objects.update(computed_with={"metrology_version": "0"})
        DriftState.objects.update(level=77.0)
        bring_up_to_date(site, bench.vehicle)
        assert agrees_with_replay(bench.vehicle)

    def test_the_next_check_is_due_an_interval_after_the_last_measurement(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8)
        bring_up_to_date(site, bench.vehicle)
        kept = DriftSeries.objects.get()
        assert kept.interval_days == pytest.approx(182.6, abs=0.1)
        measured_on = time_of_day(DriftState.objects.all()[0].day).date()
        assert time_of_day(kept.due_day).date() == months_after(measured_on, 6)

    def test_a_series_takes_the_prior_that_was_known_when_it_began(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8)
        model = bench.vehicle.vehicle_model
        now = timezone.now()
        for hours, mean in ((9, 1.5), (1, 3.0)):
            DriftRatePrior.objects.create(
                vehicle_model=model,
                mean=mean,
                variance=25.0,
                corners=40,
                computed_with={},
                recorded_at=now - timedelta(hours=hours),
            )
        assert series_of(bench.vehicle).prior.mean == 1.5
        bench.event("sensor_replaced", "RL", happened_at=now)
        bring_up_to_date(site, bench.vehicle)
        assert [row.prior_rate for row in DriftState.objects.all()] == [1.5] * 4

    def test_a_corner_has_one_state(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 8)
        bring_up_to_date(site, bench.vehicle)
        row = DriftState.objects.all()[0]
        row.pk = new_id()
        with pytest.raises(IntegrityError, match="calibration_driftstate_one"), transaction.atomic():
            row.save(force_insert=True)
        row.corner = "XX"
        with pytest.raises(IntegrityError, match="calibration_driftstate_corner"), transaction.atomic():
            row.save(force_insert=True)


class TestRevised:
    def judged(self, site: Site) -> Bench:
        bench = visit(site, site.vehicle(), 400, FL=489)
        bench.end()
        bring_up_to_date(site, bench.vehicle)
        drift.drift_evaluated(vehicle_ids=[bench.vehicle.pk])
        return bench

    def test_a_struck_reading_revises_what_alerts_were_judged_by(self, site: Site) -> None:
        bench = self.judged(site)
        bench.strike(bench.case.rounds[-1].reading_rows[0].pk, 485, site.manager)  # type: ignore[attr-defined]
        bring_up_to_date(site, bench.vehicle)
        assert DriftSeries.objects.get().is_revised
        drift.drift_evaluated(vehicle_ids=[bench.vehicle.pk])
        assert not DriftSeries.objects.get().is_revised

    def test_a_further_visit_does_not(self, site: Site) -> None:
        bench = self.judged(site)
        later = visit(site, bench.vehicle, 8)
        bring_up_to_date(site, bench.vehicle)
        later.measure()
        bring_up_to_date(site, bench.vehicle)
        assert not DriftSeries.objects.get().is_revised


class TestReceivedBy:
    def test_what_came_or_was_struck_later_does_not_count_yet(self, site: Site) -> None:
        vehicle = site.vehicle()
        first = visit(site, vehicle, 22, FL=489)
        first.end()
        known = first.now
        states = series_of(vehicle).followed().states
        first.now = timezone.now() - timedelta(hours=20)
        first.strike(first.case.rounds[-1].reading_rows[0].pk, 485, site.manager)  # type: ignore[attr-defined]
        first.event("spring_replaced", "RR", happened_at=known - timedelta(hours=1))
        visit(site, vehicle, 8, FL=493).end()
        assert not np.array_equal(series_of(vehicle).followed().states.table(), states.table(), equal_nan=True)
        then = series_of(vehicle, known).followed().states
        np.testing.assert_array_equal(then.table(), states.table())

    def test_a_job_refiled_later_was_still_the_other_vehicles(self, site: Site) -> None:
        wrong, right = site.vehicle(), site.vehicle()
        bench = visit(site, wrong, 22, FL=489)
        bench.end()
        known = bench.now
        before = series_of(wrong).followed().states.table()
        bench.now = timezone.now() - timedelta(hours=3)
        bench.refile(right)
        np.testing.assert_array_equal(series_of(wrong, known).followed().states.table(), before)
        assert series_of(right, known).timed == ()
        assert series_of(wrong).timed == ()
        assert kinds(right) == ["Judged", "Measured"]


def random_history(rng: random.Random, site: Site, vehicle: Vehicle, after_each: Callable[[], None]) -> None:
    """Visits over a year and a half, of which some things come late, are struck or belonged to another vehicle."""
    done: list[Bench] = []
    ago = 1.5 * HOURS_A_YEAR
    while ago > 200:
        bench = visit(site, vehicle, ago, FL=rng.choice([478, 486, 490]), RL=504 + rng.uniform(-5, 5))
        after_each()
        for act in rng.sample(["write", "measure", "event", "strike", "pause"], k=rng.randint(0, 4)):
            _do(rng, bench, act)
            after_each()
        bench.end()
        after_each()
        done.append(bench)
        earlier = rng.choice(done)
        match rng.choice(["nothing", "late", "strike", "refile", "event", "check"]):
            case "check":
                check(site, vehicle, ago - rng.uniform(20, 4000) + 4000, FL=486 + round(rng.uniform(-4, 4)))
            case "late":
                earlier.now = bench.now
                earlier.measure({"RR": 507}, taken_at=earlier.case.rounds[0].taken_at + timedelta(minutes=1))
            case "strike":
                earlier.now = bench.now
                _do(rng, earlier, "strike")
            case "event":
                bench.event("damper_replaced", "FR", happened_at=bench.now - timedelta(hours=rng.uniform(0, 4000)))
            case "refile" if bench.vehicle.pk == vehicle.pk:
                bench.refile(site.vehicle(vehicle_model=vehicle.vehicle_model))
                done.remove(bench)
        after_each()
        ago -= rng.uniform(300, 3000)


def _do(rng: random.Random, bench: Bench, act: str) -> None:
    match act:
        case "write":
            bench.write(None, {**bench.setpoints, "FL": bench.setpoints["FL"] + rng.randint(-8, 8)})
        case "measure":
            bench.measure({"FL": 486 + rng.uniform(-3, 3)})
        case "event":
            bench.event("sensor_replaced", rng.choice(CORNERS))
        case "strike":
            struck = {each.reading_id for each in bench.case.strikes}
            rows = [row for row in bench.case.rounds[0].reading_rows if row.pk not in struck]  # type: ignore[attr-defined]
            bench.strike(rows[0].pk, float(rows[0].height_mm) + 3, bench.site.manager)
        case "pause":
            bench.pause()
            bench.resume(nothing_changed=False)


@pytest.mark.parametrize("seed", range(6))
def test_kept_step_by_step_is_followed_from_the_beginning(site: Site, seed: int) -> None:
    vehicle = site.vehicle()

    def step() -> None:
        bring_up_to_date(site, vehicle)
        assert agrees_with_replay(vehicle)

    random_history(random.Random(seed), site, vehicle, step)  # noqa: S311  (a history, no secret)
    assert len(series_of(vehicle).timed) > 5


def test_states_that_only_ever_go_on_would_be_noticed(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """The seeded fault: nothing is followed anew."""

    def all_known(kept: DriftSeries | None, wanted: list[str], computed_with: dict[str, Any]) -> int:
        return len(kept.marks) if kept is not None else 0

    monkeypatch.setattr(drift, "_common", all_known)
    differs = []
    vehicle = site.vehicle()

    def step() -> None:
        bring_up_to_date(site, vehicle)
        differs.append(not agrees_with_replay(vehicle))

    random_history(random.Random(0), site, vehicle, step)  # noqa: S311  (a history, no secret)
    assert any(differs)

"""Drift is judged by another specification as soon as there is one, and as of a time by what was known then."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from calibration.metrology.drift_series import Moved, Respecified
from calibration.models import DriftSeries, DriftState, Job
from calibration.selectors import drift_series
from calibration.selectors.drift_series import series_of
from fleet.ids import new_id
from fleet.models import OutboxItem, Specification, Vehicle
from fleet.services import vehicle_update, vin_correct
from tests.calibration.bench import Bench
from tests.calibration.test_drift_states import agrees_with_replay, bring_up_to_date, visit
from tests.factories import SPECIFICATION, Site, new_vin

FRONT_HIGHER: dict[str, Any] = {"front": {**SPECIFICATION["front"], "target_mm": 496}}


def targets() -> list[float]:
    return [row.target_mm for row in DriftState.objects.all()]


def levels() -> list[int]:
    return [round(row.level) for row in DriftState.objects.all()]


def judged(site: Site, hours_ago: float = 30) -> Bench:
    """A vehicle of which a job was ended."""
    bench = visit(site, site.vehicle(), hours_ago)
    bench.end()
    bring_up_to_date(site, bench.vehicle)
    return bench


def change_model(site: Site, vehicle: Vehicle, revision: Specification) -> Vehicle:
    vehicle.refresh_from_db()
    return vehicle_update(
        actor=site.manager.actor(timezone.now() - timedelta(hours=1)),
        vehicle_id=vehicle.pk,
        expected_versions=[vehicle.version],
        changes={"vehicle_model": revision.vehicle_model_id},
    )


def revise(site: Site, vehicle: Vehicle, **changes: Any) -> Specification:
    return site.specification(vehicle.vehicle_model, **{**FRONT_HIGHER, **changes})


def asked(kind: str) -> list[OutboxItem]:
    return list(OutboxItem.objects.filter(kind=kind))


class TestModel:
    def test_heights_are_judged_by_the_new_model_at_once(self, site: Site) -> None:
        bench = judged(site)
        assert targets() == [486, 486, 504, 504]
        revision = site.specification(**FRONT_HIGHER)
        vehicle = change_model(site, bench.vehicle, revision)
        assert [each.payload for each in asked("fleet.vehicle_model_changed")] == [{"vehicle": str(vehicle.pk)}]
        bring_up_to_date(site, vehicle)
        assert (targets(), levels()) == ([496, 496, 504, 504], [-10, -10, 0, 0])
        assert DriftSeries.objects.get().is_revised
        assert agrees_with_replay(vehicle)
        visit(site, vehicle, 0.5)
        bring_up_to_date(site, vehicle)
        assert agrees_with_replay(vehicle)
        assert targets() == [496, 496, 504, 504]

    def test_before_the_change_it_was_judged_by_the_old_one(self, site: Site) -> None:
        bench = judged(site, hours_ago=20)
        known = bench.now
        vehicle = change_model(site, bench.vehicle, site.specification(**FRONT_HIGHER))
        basis = series_of(vehicle, known).followed().basis
        assert basis is not None
        assert basis.target_mm == (486, 486, 504, 504)

    def test_that_nothing_is_respecified_would_be_noticed(self, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
        """The seeded fault."""
        bench = judged(site)
        monkeypatch.setattr(drift_series, "respecified", lambda *_given: ())
        vehicle = change_model(site, bench.vehicle, site.specification(**FRONT_HIGHER))
        bring_up_to_date(site, vehicle)
        assert targets() == [486, 486, 504, 504]

    def test_another_vin_changes_nothing(self, site: Site) -> None:
        bench = judged(site)
        before = repr(DriftState.objects.values())
        vin_correct(
            actor=site.manager.actor(timezone.now()),
            record_id=new_id(),
            vehicle_id=bench.vehicle.pk,
            vin=new_vin(),
            reason="misread",
        )
        bring_up_to_date(site, bench.vehicle)
        assert repr(DriftState.objects.values()) == before


class TestRevision:
    def test_one_that_takes_effect_is_judged_by(self, site: Site) -> None:
        bench = judged(site)
        revision = revise(site, bench.vehicle)
        (item,) = asked("fleet.specification_in_force")
        assert item.payload == {"vehicle_model": str(revision.vehicle_model_id)}
        bring_up_to_date(site, bench.vehicle)
        assert targets() == [496, 496, 504, 504]
        assert agrees_with_replay(bench.vehicle)

    def test_one_that_is_yet_to_take_effect_waits_for_its_day(self, site: Site) -> None:
        bench = judged(site)
        on = (timezone.now() + timedelta(days=20)).date()
        revise(site, bench.vehicle, effective_from=on)
        (item,) = asked("fleet.specification_in_force")
        assert item.due_at.date() == on
        bring_up_to_date(site, bench.vehicle)
        assert targets() == [486, 486, 504, 504]

    def test_a_job_goes_on_by_its_own_until_it_ends(self, site: Site) -> None:
        bench = visit(site, site.vehicle(), 30)
        revise(site, bench.vehicle)
        bring_up_to_date(site, bench.vehicle)
        assert targets() == [486, 486, 504, 504]
        bench.now = timezone.now() - timedelta(minutes=9)
        bench.end()
        bring_up_to_date(site, bench.vehicle)
        assert targets() == [496, 496, 504, 504]

    def test_a_concession_holds(self, site: Site) -> None:
        bench = Bench.open(site, site.vehicle(), hours_ago=900)
        bench.ready()
        bench.concede(500, 518)
        bench.decide()
        bench.measure({"FL": 500, "FR": 500, "RL": 518, "RR": 518})
        bench.end()
        revise(site, bench.vehicle)
        assert not any(isinstance(each, Respecified) for each in series_of(bench.vehicle).observations)


class TestDueByDistance:
    def test_it_follows_from_the_odometers_of_jobs(self, site: Site) -> None:
        bench = judged(site)
        kept = DriftSeries.objects.get()
        assert (kept.interval_km, kept.distance_due_day) == (20_000, float("inf"))
        Job.objects.update(odometer_km=Decimal(40_000), opened_at=timezone.now() - timedelta(days=100))
        later = visit(site, bench.vehicle, 8)
        Job.objects.filter(pk=later.job.pk).update(odometer_km=Decimal(60_000))
        bring_up_to_date(site, bench.vehicle)
        kept = DriftSeries.objects.get()
        assert kept.due_at_km == pytest.approx(80_000, abs=100)
        assert kept.distance_interval_days == pytest.approx(100, abs=1)
        assert kept.distance_due_day < kept.due_day


class TestAsOf:
    def test_a_write_recorded_late_in_an_earlier_job_does_not_show_through(self, site: Site) -> None:
        vehicle = site.vehicle()
        first = visit(site, vehicle, 300)
        first.end()
        later = visit(site, vehicle, 20)
        known = later.now
        before = series_of(vehicle, known).observations
        first.now = timezone.now() - timedelta(hours=1)
        first.write(None, {**first.setpoints, "FL": first.setpoints["FL"] + 9})
        assert series_of(vehicle, known).observations == before
        now = series_of(vehicle).observations
        assert sum(isinstance(each, Moved) for each in now) > sum(isinstance(each, Moved) for each in before)

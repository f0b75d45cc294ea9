"""What is measured is judged by the day of the workshop's calendar: on both sides of UTC, where that has another."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from calibration.metrology.drift_series import Respecified, Worked
from calibration.models import DriftSeries, HeightCheck, Job
from calibration.rules.check_due import months_after
from calibration.rules.drift_course import day_of, time_of_day
from calibration.selectors.check_days import AssumedTime
from calibration.selectors.drift_series import series_of
from calibration.selectors.instrument_use import jobs_measured_with
from calibration.selectors.odometer import highest_odometer, odometer_readings
from calibration.selectors.tyre_comparison import compared_tyres
from calibration.selectors.tyres import tyre_change_unrecorded
from calibration.services import jobs, proposals
from calibration.services.height_checks import height_check_record
from calibration.services.past_checks import PastCheck, past_checks_record
from fleet import services
from fleet.errors import Invalid
from fleet.ids import new_id
from fleet.looks.dates import day as day_in_words
from fleet.models import Fitment, Instrument, Specification, Vehicle
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.calibration.test_drift_states import bring_up_to_date
from tests.elsewhere import HOURS, ONE_DAY, Place, moved, on_both_sides
from tests.factories import SPECIFICATION, TYRE, Site

LONG_AGO = date(2020, 1, 1)


def revise(site: Site, vehicle: Vehicle, effective_from: date, **changes: Any) -> Specification:
    return services.specification_add(
        actor=site.manager.actor(site.began_at - 30 * ONE_DAY),
        record_id=new_id(),
        vehicle_model=vehicle.vehicle_model,
        specification={**SPECIFICATION, "effective_from": effective_from, **changes},
    )


def revised(site: Site, place: Place) -> tuple[Vehicle, Specification]:
    """A vehicle of whose model another revision takes effect every day."""
    vehicle = site.vehicle()
    revise(site, vehicle, place.yesterday)
    of_today = revise(site, vehicle, place.today)
    revise(site, vehicle, place.tomorrow)
    return vehicle, of_today


def opened(site: Site, vehicle: Vehicle, at: datetime, **fields: Any) -> Bench:
    values = {"reason": "routine", "odometer_km": Decimal(48210), **fields}
    job = jobs.job_open(actor=site.technician.actor(at), record_id=new_id(), vehicle=vehicle, **values)
    tape = site.instrument(calibrated_on=LONG_AGO)
    return Bench(site, vehicle, tape, job, at, site.technician)


def check(site: Site, vehicle: Vehicle, at: datetime, **fields: Any) -> HeightCheck:
    readings = [{"corner": corner, "height_mm": Decimal(height)} for corner, height in TRUE_HEIGHTS.items()]
    return height_check_record(
        actor=site.technician.actor(at),
        record_id=new_id(),
        vehicle=vehicle,
        **{"taken_at": at, "loading": "as_specified", "readings": readings, "instrument": None, **fields},
    )


def past_check(site: Site, vehicle: Vehicle, at: datetime, **fields: Any) -> HeightCheck:
    heights = {corner: Decimal(height) for corner, height in TRUE_HEIGHTS.items()}
    past = PastCheck(vehicle, at, heights, "as_specified", record_id=new_id(), **fields)
    [outcome] = past_checks_record(actor=site.manager.actor(at + 3 * ONE_DAY), checks=[past], facts={})
    assert outcome.is_new
    return HeightCheck.objects.get(pk=past.key)


def codes(check: HeightCheck) -> set[str]:
    return {each["code"] for each in check.findings}


# Which revision


@on_both_sides
class TestRevision:
    def test_of_a_job_is_that_of_the_day_on_which_it_opens(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        vehicle, of_today = revised(site, place)
        assert opened(site, vehicle, place.now).job.specification == of_today

    def test_of_a_job_refiled_later_is_that_of_the_day_on_which_it_opened(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        vehicle, of_today = revised(site, place)
        bench = opened(site, site.vehicle(), place.now)
        bench.now += 5 * ONE_DAY
        assert bench.refile(vehicle).specification == of_today

    def test_as_of_a_time_before_a_refiling_it_is_the_one_that_the_job_had(self, site: Site, zone: str) -> None:
        place = moved(site, zone, days=-5)
        vehicle = site.vehicle()
        for day, target in ((place.yesterday, 500), (place.today, 490), (place.tomorrow, 510)):
            revise(site, vehicle, day, front={**SPECIFICATION["front"], "target_mm": target})
        bench = opened(site, vehicle, place.now)
        bench.measure()
        bench.refile(site.vehicle())
        basis = series_of(vehicle, place.now + timedelta(minutes=1)).followed().basis
        assert basis is not None
        assert basis.target_mm[0] == 490

    @pytest.mark.parametrize("record", [check, past_check])
    def test_of_a_height_check_is_that_of_its_day(
        self, site: Site, zone: str, record: Callable[..., HeightCheck]
    ) -> None:
        place = moved(site, zone)
        vehicle, of_today = revised(site, place)
        assert record(site, vehicle, place.now).specification == of_today

    def test_of_a_check_of_which_a_day_was_noted_is_that_of_this_day(self, site: Site, zone: str) -> None:
        """The zone in which it was noted is not the workshop's, which is in UTC."""
        at = datetime.combine((site.began_at + 3 * ONE_DAY).date(), time(HOURS[zone]), UTC)
        noted = at.astimezone(ZoneInfo(zone))
        vehicle, of_that_day = revised(site, Place(zone, at))
        assumed = AssumedTime(noted.date(), f"{noted:%H:%M}", zone)
        found = past_check(site, vehicle, at, assumed=assumed)
        assert (found.specification, found.happened_at) == (of_that_day, at)

    def test_tyres_are_compared_by_is_that_of_today(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        vehicle, of_today = revised(site, place)
        site.fitment(vehicle, fitted_on=LONG_AGO)
        found = compared_tyres(site.manager.actor(place.now), vehicle)
        assert found is not None
        assert found.specification == of_today

    def test_takes_effect_for_drift_when_its_day_begins(self, site: Site, zone: str) -> None:
        place = moved(site, zone, days=-5)
        vehicle = site.vehicle()
        check(site, vehicle, place.now)
        revise(site, vehicle, place.tomorrow, side_difference_max_mm=7)
        begins = datetime.combine(place.tomorrow, time.min, ZoneInfo(zone)).astimezone(UTC)
        found = [each.at for each in series_of(vehicle).timed if isinstance(each.observation, Respecified)]
        assert begins in found

    def test_says_of_the_day_of_an_event_which_corners_are_linked(self, site: Site, zone: str) -> None:
        place = moved(site, zone, days=-5)
        vehicle = site.vehicle()
        check(site, vehicle, place.now - 2 * ONE_DAY)
        revise(site, vehicle, place.today, linked_corners=[["FL", "FR"]])
        revise(site, vehicle, place.tomorrow)
        services.event_record(
            actor=site.technician.actor(place.now),
            record_id=new_id(),
            vehicle=vehicle,
            kind="sensor_replaced",
            corner="FL",
            happened_at=place.now,
        )
        [told] = [each.observation for each in series_of(vehicle).timed if isinstance(each.observation, Worked)]
        assert told.corners == (True, True, False, False)


# Which calibration


def by_round(site: Site, place: Place, tape: Instrument) -> set[str]:
    bench = opened(site, site.vehicle(), place.now - timedelta(minutes=5))
    bench.measure(instrument=tape)
    return set(bench.codes())


def by_leak_test(site: Site, place: Place, tape: Instrument) -> set[str]:
    bench = opened(site, site.vehicle(), place.now - timedelta(hours=13))
    bench.now = place.now - timedelta(hours=12, minutes=2)
    assert bench.leak_test(instrument=tape).happened_at == place.now
    return set(bench.codes())


def by_check(site: Site, place: Place, tape: Instrument) -> set[str]:
    return codes(check(site, site.vehicle(), place.now, instrument=tape))


def by_past_check(site: Site, place: Place, tape: Instrument) -> set[str]:
    return codes(past_check(site, site.vehicle(), place.now, instrument=tape))


@on_both_sides
@pytest.mark.parametrize("measured", [by_round, by_leak_test, by_check, by_past_check])
def test_the_calibration_that_counts_is_that_of_the_day(
    site: Site, zone: str, measured: Callable[[Site, Place, Instrument], set[str]]
) -> None:
    """A tape calibrated this morning may be used at once, and one that is due today until midnight."""
    place = moved(site, zone)
    later = place.today + timedelta(days=300)
    tapes: Mapping[str, tuple[date, date]] = {
        "calibrated today": (place.today, later),
        "calibrated tomorrow": (place.tomorrow, later),
        "due today": (LONG_AGO, place.today),
        "due yesterday": (LONG_AGO, place.yesterday),
    }
    overdue = set()
    for name, (calibrated_on, due_on) in tapes.items():
        tape = services.instrument_add(
            actor=site.manager.actor(place.now + 3 * ONE_DAY),
            record_id=new_id(),
            serial=name,
            kind="tape",
            accuracy_class="II",
            resolution_mm=Decimal(1),
            length_mm=Decimal(3000),
            calibrated_on=calibrated_on,
            calibration_due_on=due_on,
        )
        if "instrument_overdue" in measured(site, place, tape):
            overdue.add(name)
    assert overdue == {"calibrated tomorrow", "due yesterday"}


@on_both_sides
def test_the_jobs_in_doubt_are_those_measured_since_the_day(site: Site, zone: str) -> None:
    place = moved(site, zone)
    bench = opened(site, site.vehicle(), place.now - timedelta(minutes=5))
    bench.measure()
    actor = site.manager.actor(place.now)
    found = [jobs_measured_with(actor, bench.instrument.pk, day) for day in (place.today, place.tomorrow, None)]
    assert [len(each) for each in found] == [1, 0, 1]


# Other days


@on_both_sides
def test_an_acknowledgement_may_be_of_today_and_not_of_tomorrow(site: Site, zone: str) -> None:
    place = moved(site, zone)
    bench = opened(site, site.vehicle(), place.now - timedelta(minutes=20))
    bench.ready()
    bench.measure()

    def ask(acknowledged_on: date) -> None:
        proposals.concession_request(
            actor=bench.actor(),
            record_id=new_id(),
            job_id=bench.job.pk,
            front_target_mm=Decimal(500),
            rear_target_mm=Decimal(518),
            reason="ferry ramp",
            acknowledged_by="fleet desk",
            acknowledged_on=acknowledged_on,
        )

    with pytest.raises(Invalid, match=zone):
        ask(place.tomorrow)
    ask(place.today)


@on_both_sides
def test_tyres_fitted_on_the_day_on_which_a_job_opened_are_its_own(site: Site, zone: str) -> None:
    place = moved(site, zone)
    job, before = Job(reason="tyre_change", opened_at=place.now), place.now - timedelta(hours=1)
    missing = [
        tyre_change_unrecorded(job, [Fitment(fitted_on=day, recorded_at=before)])
        for day in (place.yesterday, place.today)
    ]
    assert missing == [True, False]


@on_both_sides
class TestOdometer:
    def fitted(self, site: Site, place: Place) -> Vehicle:
        vehicle = site.vehicle()
        for fitted_on, km in ((place.yesterday, 50_000), (place.today, 60_000)):
            services.fitment_record(
                actor=site.technician.actor(place.now + 3 * ONE_DAY),
                record_id=new_id(),
                vehicle=vehicle,
                fitted_on=fitted_on,
                tyres=dict.fromkeys(TRUE_HEIGHTS, TYRE),
                odometer_km=Decimal(km),
            )
        return vehicle

    def test_of_a_fitment_counts_when_its_day_is_over(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        vehicle = self.fitted(site, place)
        assert highest_odometer(vehicle, until=place.now) == 50_000

    def test_of_a_fitment_is_of_the_beginning_of_its_day(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        begins = datetime.combine(place.today, time.min, ZoneInfo(zone))
        assert day_of(begins) in [each.day for each in odometer_readings(self.fitted(site, place))]

    @pytest.mark.parametrize("record", [check, past_check])
    def test_of_a_check_went_back_by_the_same_rule(
        self, site: Site, zone: str, record: Callable[..., HeightCheck]
    ) -> None:
        place = moved(site, zone)
        vehicle = self.fitted(site, place)
        lower = record(site, vehicle, place.now, odometer_km=Decimal(45_000))
        further = record(site, vehicle, place.now + timedelta(minutes=5), odometer_km=Decimal(55_000))
        assert ["odometer_lower" in codes(each) for each in (lower, further)] == [True, False]


@on_both_sides
def test_checks_that_came_by_import_are_told_with_their_day(site: Site, zone: str) -> None:
    place, vehicle = moved(site, zone), site.vehicle()
    past_check(site, vehicle, place.now)
    told = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/history/").json()["results"][0]
    assert told["summary"].endswith(f"measured on {day_in_words(place.today)}.")


@on_both_sides
def test_the_next_check_is_due_months_from_the_day_of_the_last(site: Site, zone: str) -> None:
    place = moved(site, zone, days=-5)
    vehicle = site.vehicle(vehicle_model=site.specification(check_interval_months=6).vehicle_model)
    measured = check(site, vehicle, place.now)
    bring_up_to_date(site, vehicle)
    due_on = months_after(place.today, 6)
    assert time_of_day(DriftSeries.objects.get(vehicle=vehicle).due_day).date() == due_on
    told = site.manager.client().get(f"/api/v1/checks/{measured.pk}/").json()
    assert told["next_check"]["due_on"] == due_on.isoformat()
    drift = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/drift/").json()
    assert drift["due_on"] == due_on.isoformat()
    as_of = {"as_of": (place.now + timedelta(minutes=1)).isoformat()}
    then = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/drift/", as_of).json()
    assert then["due_on"] == due_on.isoformat()

"""Height checks outside a job: recorded, judged by what was in force, put right, and refused where they cannot be."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from calibration.models import HeightCheck, HeightCheckReading, HeightCheckStrike
from calibration.selectors.height_checks import MeasuredHeightCheck, height_checks_of, measured_height_checks
from calibration.services.height_checks import check_reading_strike, height_check_record, height_check_sent_before
from fleet.errors import Conflict, Forbidden, Invalid, NotFound
from fleet.ids import new_id
from fleet.models import LedgerEntry, Vehicle
from fleet.services import vehicle_update
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.factories import Person, Site


def heights(**changes: float) -> list[dict[str, Any]]:
    return [
        {"corner": corner, "height_mm": Decimal(str(height))} for corner, height in {**TRUE_HEIGHTS, **changes}.items()
    ]


def record(
    site: Site, vehicle: Vehicle, *, at: datetime, person: Person | None = None, **fields: Any
) -> MeasuredHeightCheck:
    """Measured and sent at a time, with a tape of class II unless told otherwise."""
    values = {"taken_at": at, "loading": "as_specified", "readings": heights(), **fields}
    if "instrument" not in values:
        values["instrument"] = site.instrument()
    actor = (person or site.technician).actor(at)
    check = height_check_record(actor=actor, record_id=new_id(), vehicle=vehicle, **values)
    return measured_height_checks([check])[0]


def codes(measured: MeasuredHeightCheck) -> set[str]:
    return {each["code"] for each in measured.check.findings}


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


@pytest.fixture
def day(site: Site) -> datetime:
    return site.began_at + timedelta(days=40)


class TestWhatIsRecorded:
    def test_is_judged_with_its_uncertainty(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day, readings=heights(FL=498))

        front_left = found.corners["FL"]
        assert (front_left.deviation_mm, front_left.verdict) == (12.0, "outside")
        # 1.0 repeatability, 1.5/√3 settling, 1/√12 resolution, 1/√3 marks, 0.5/√3 tape of class II
        assert front_left.budget.standard_uncertainty_mm == pytest.approx(1.5)
        assert found.check.result == found.result
        assert found.result["verdict"] == "outside"

    def test_without_an_instrument_is_twice_as_uncertain_as_with_the_widest_class(
        self, site: Site, vehicle: Vehicle, day: datetime
    ) -> None:
        of_class_iii = record(site, vehicle, at=day, instrument=site.instrument(accuracy_class="III"))
        of_nothing = record(site, vehicle, at=day + timedelta(days=1), instrument=None)

        uncertainties = [each.corners["FL"].budget.standard_uncertainty_mm for each in (of_class_iii, of_nothing)]
        assert uncertainties[1] == pytest.approx(2 * uncertainties[0])

    def test_stands_in_the_ledger_with_every_reading(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day)

        entry = LedgerEntry.objects.filter(vehicle=vehicle).latest("sequence")
        assert (entry.kind, entry.record_id) == ("height_check_recorded", found.check.pk)
        assert len(entry.payload["rows"]["calibration.heightcheckreading"]) == 4

    def test_under_another_loading_is_kept_and_not_judged(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day, loading="other", readings=heights(RL=470))

        assert not found.is_fitted
        assert found.result["verdict"] is None
        assert found.result["corners"]["RL"]["deviation_mm"] == -34.0

    def test_counts_by_the_server_where_the_clock_is_ahead(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day, taken_at=day + timedelta(days=300))
        near = record(site, site.vehicle(), at=day, taken_at=day + timedelta(minutes=3))

        assert (found.check.happened_at, near.check.happened_at) == (day, day)
        assert codes(found) == {"clock_wrong"}
        assert codes(near) == set()

    def test_names_an_overdue_instrument_and_an_odometer_that_went_back(
        self, site: Site, vehicle: Vehicle, day: datetime
    ) -> None:
        record(site, vehicle, at=day, odometer_km=Decimal(50_000))
        late = day + timedelta(days=400)
        found = record(site, vehicle, at=late, odometer_km=Decimal(49_000))

        assert codes(found) == {"instrument_overdue", "odometer_lower"}

    def test_of_a_model_without_specification_has_its_means(self, site: Site, day: datetime) -> None:
        found = record(site, site.vehicle(vehicle_model=site.vehicle_model()), at=day)

        assert found.corners == {}
        assert not found.is_fitted
        assert found.result["corners"]["FL"]["mean_mm"] == 486.0

    def test_sent_once_more_under_another_id_counts_once(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        first = record(site, vehicle, at=day)
        again = record(site, vehicle, at=day, person=site.manager)

        assert again.check.repeats == first.check
        assert codes(again) == {"repeats_earlier_record"}
        assert [each.check for each in height_checks_of(vehicle)] == [first.check]

    def test_sent_again_without_an_id_is_found(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        tape = site.instrument()
        first = record(site, vehicle, at=day, instrument=tape)
        said = {"taken_at": day, "loading": "as_specified", "instrument": tape}
        actor = site.technician.actor(day)

        same = height_check_sent_before(actor=actor, vehicle=vehicle, readings=heights(), **said)
        other = height_check_sent_before(actor=actor, vehicle=vehicle, readings=heights(FL=487), **said)
        assert (same, other) == (first.check, None)

    def test_is_judged_by_the_targets_of_a_concession_until_the_next_job(self, site: Site, vehicle: Vehicle) -> None:
        bench = Bench.open(site, vehicle, hours_ago=200)
        bench.ready()
        bench.measure()
        concession = bench.concede(496, 514)
        bench.decide()
        raised = heights(FL=496, FR=496, RL=514, RR=514)
        meanwhile = record(site, vehicle, at=bench.tick() + timedelta(minutes=30), readings=raised)
        bench.end()
        Bench.open(site, vehicle, hours_ago=20)
        afterwards = record(site, vehicle, at=bench.now + timedelta(hours=190), readings=raised)

        assert meanwhile.check.concession_id == concession.pk
        assert [each.result["verdict"] for each in (meanwhile, afterwards)] == ["within", "outside"]


class TestWhatIsRefused:
    @pytest.mark.parametrize(
        ("readings", "code", "pointer"),
        [
            (heights()[:3], "readings_per_corner", "/readings"),
            ([*heights(), {"corner": "XX", "height_mm": Decimal(480)}], "unknown_corner", "/readings"),
            ([*heights(), *heights()[:1] * 20], "readings_per_corner", "/readings"),
            (heights(RL=19.1), "confirm_height", "/readings/2/height_mm"),
            (heights(FR=3400), "beyond_instrument", "/readings/1/height_mm"),
        ],
    )
    def test_is_named(
        self, site: Site, vehicle: Vehicle, day: datetime, readings: list[dict[str, Any]], code: str, pointer: str
    ) -> None:
        with pytest.raises(Invalid) as refused:
            record(site, vehicle, at=day, readings=readings)
        assert [(each.code, each.pointer) for each in refused.value.errors] == [(code, pointer)]
        assert not HeightCheck.objects.exists()

    def test_a_height_far_from_target_is_taken_once_it_is_confirmed(
        self, site: Site, vehicle: Vehicle, day: datetime
    ) -> None:
        readings = [*heights()[:3], {"corner": "RR", "height_mm": Decimal(300), "confirmed": True}]
        assert record(site, vehicle, at=day, readings=readings).corners["RR"].deviation_mm == -204.0

    def test_an_auditor_records_none(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        with pytest.raises(Forbidden):
            record(site, vehicle, at=day, person=site.person("auditor"))

    def test_a_contact_records_only_of_the_time_in_which_the_vehicle_was_theirs(
        self, site: Site, vehicle: Vehicle, day: datetime
    ) -> None:
        driver = site.person("operator_contact", operator=vehicle.operator_id)
        mine = record(site, vehicle, at=day, person=driver, instrument=None)
        vehicle = vehicle_update(
            actor=site.manager.actor(day + timedelta(days=1)),
            vehicle_id=vehicle.pk,
            expected_versions=[vehicle.version],
            changes={"operator": site.operator().pk},
        )
        late = record(site, vehicle, at=day + timedelta(days=2), taken_at=day, person=driver, readings=heights(FL=487))
        with pytest.raises(Forbidden):
            record(site, vehicle, at=day + timedelta(days=2), person=driver)

        assert [each.check for each in height_checks_of(vehicle)] == [mine.check, late.check]


class TestWhatWasKnown:
    def test_is_by_when_it_was_received(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        on_time = record(site, vehicle, at=day)
        late = record(site, vehicle, at=day + timedelta(days=9), taken_at=day - timedelta(days=3))
        imported = record(
            site,
            vehicle,
            at=day + timedelta(days=20),
            taken_at=day - timedelta(days=5),
            received_at=day - timedelta(days=4),
        )

        then = height_checks_of(vehicle, day)
        now = height_checks_of(vehicle)
        assert [each.check for each in then] == [imported.check, on_time.check]
        assert [each.check for each in now] == [imported.check, late.check, on_time.check]

    def test_leaves_out_a_strike_made_since(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day, readings=heights(FL=586))
        strike(site.manager, found, at=day + timedelta(days=1))

        then, now = height_checks_of(vehicle, day), height_checks_of(vehicle)
        assert [each[0].corners["FL"].mean_mm for each in (then, now)] == [586.0, 486.0]
        assert [len(each[0].readings) for each in (then, now)] == [4, 5]


def strike(person: Person, found: MeasuredHeightCheck, *, at: datetime, corner: str = "FL") -> HeightCheck:
    reading = next(each for each in found.readings if each.corner == corner)
    return check_reading_strike(
        actor=person.actor(at),
        record_id=new_id(),
        reading_id=reading.pk,
        reason="Read at the wrong mark.",
        replacement={"height_mm": Decimal(486)},
    )


class TestAStruckReading:
    def test_stays_visible_and_another_counts(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day, readings=heights(FL=586))
        strike(site.manager, found, at=day)

        again = height_checks_of(vehicle)[0]
        assert again.check.result["corners"]["FL"]["mean_mm"] == 586.0
        assert again.result["corners"]["FL"]["mean_mm"] == 486.0
        assert [each.height_mm for each in again.readings if each.corner == "FL"] == [586, 486]
        assert again.instrument_known
        assert LedgerEntry.objects.filter(vehicle=vehicle).latest("sequence").kind == "check_reading_struck"

    def test_takes_another_person_and_is_struck_once(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day)

        with pytest.raises(Forbidden):
            strike(site.technician, found, at=day)
        strike(site.manager, found, at=day)
        with pytest.raises(Conflict):
            strike(site.manager, found, at=day)

    def test_of_what_nobody_sees_is_not_found(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day)
        stranger = site.person("operator_contact", operator=site.operator().pk)

        with pytest.raises(NotFound):
            strike(stranger, found, at=day)


class TestTheDatabase:
    """The last guard: each constraint refuses what goes round the service."""

    def check(self, site: Site, vehicle: Vehicle, **changes: Any) -> HeightCheck:
        values = {
            "vehicle": vehicle,
            "taken_at": site.began_at,
            "happened_at": site.began_at,
            "received_at": site.began_at,
            "recorded_at": site.began_at,
            "loading": "other",
            "repeatability": {},
            "instruments": [],
            "result": {},
            "computed_with": {},
        }
        return HeightCheck.objects.create(**{**values, **changes})

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"loading": "heavy"}, "calibration_check_loading"),
            ({"odometer_km": -1}, "calibration_check_odometer_from_zero"),
            ({"received_at": datetime.fromisoformat("2001-01-01T00:00Z")}, "calibration_check_not_in_the_future"),
        ],
    )
    def test_refuses_a_check(self, site: Site, vehicle: Vehicle, changes: dict[str, Any], constraint: str) -> None:
        self.check(site, vehicle)
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            self.check(site, vehicle, **changes)

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"ordinal": 1}, "calibration_checkreading_ordinal"),
            ({"corner": "XX"}, "calibration_checkreading_corner"),
            ({"height_mm": 0}, "calibration_checkreading_above_zero"),
        ],
    )
    def test_refuses_a_reading(self, site: Site, vehicle: Vehicle, changes: dict[str, Any], constraint: str) -> None:
        values = {
            "height_check": self.check(site, vehicle),
            "recorded_at": site.began_at,
            "corner": "FL",
            "height_mm": 486,
        }
        HeightCheckReading.objects.create(**values, ordinal=1)
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            HeightCheckReading.objects.create(**{**values, "ordinal": 2, **changes})

    def test_refuses_a_second_strike(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        first, second = record(site, vehicle, at=day).readings[:2]
        values = {"reading": first, "replacement": second, "reason": "r", "recorded_at": day}
        HeightCheckStrike.objects.create(**values)
        with pytest.raises(IntegrityError, match="calibration_checkstrike_once"), transaction.atomic():
            HeightCheckStrike.objects.create(**values)

    def test_refuses_every_change(self, site: Site, vehicle: Vehicle, day: datetime) -> None:
        found = record(site, vehicle, at=day)
        with pytest.raises(DatabaseError), transaction.atomic():
            HeightCheck.objects.filter(pk=found.check.pk).update(note="other")
        with pytest.raises(DatabaseError), transaction.atomic():
            HeightCheckReading.objects.filter(height_check=found.check).delete()

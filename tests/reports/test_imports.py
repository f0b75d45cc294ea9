"""Imports over HTTP: what past checks and vehicles become, and what a row is refused for."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from calibration.models import HeightCheck
from calibration.services.height_checks import height_check_record
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Vehicle
from fleet.tenancy import in_workshop
from reports.imports.check_rows import CheckRows
from tests.factories import Site, new_vin

from .imports import (
    check_row,
    codes,
    counts,
    csv_of,
    days,
    imported,
    vehicle_rows,
)


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


class TestChecks:
    def test_of_a_time_before_any_specification_are_counted_once(self, site: Site) -> None:
        vehicle = site.vehicle(vehicle_model=site.specification(effective_from=date(2025, 1, 2)).vehicle_model)
        content = csv_of(days(vehicle.vin, 3))
        for fields, unjudged in (({"dry_run": "true"}, 1), ({"atomic": "true"}, 1), ({}, 0)):
            assert imported(site, content, **fields)["unjudged"] == unjudged, fields
        assert HeightCheck.objects.filter(vehicle=vehicle, specification=None).count() == 1

    def test_are_recorded_as_single_ones_are(self, site: Site, vehicle: Vehicle) -> None:
        tape = site.instrument()
        values = {"instrument": tape.serial, "FL_mm": 498}
        found = imported(site, csv_of([check_row(vehicle.vin, **values)]))

        assert counts(found) == ("done", 1, 1, 0, 0)
        check = HeightCheck.objects.get(vehicle=vehicle)
        other = site.vehicle(vehicle_model=vehicle.vehicle_model)
        with in_workshop(site.workshop.pk):
            alone = height_check_record(
                actor=site.manager.actor(),
                record_id=new_id(),
                vehicle=other,
                taken_at=check.taken_at,
                readings=[{"corner": row.corner, "height_mm": row.height_mm} for row in check.readings.all()],
                loading="as_specified",
                odometer_km=Decimal(41250),
                instrument=tape,
            )
        for name in (
            "result",
            "instruments",
            "findings",
            "repeatability",
            "specification_id",
            "loading",
            "happened_at",
        ):
            assert getattr(check, name) == getattr(alone, name), name
        assert check.result["verdict"] == "outside"

    def test_say_by_whom_they_came_and_that_nobody_here_measured(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of(days(vehicle.vin, 3)))

        check = HeightCheck.objects.filter(vehicle=vehicle).first()
        assert check is not None
        assert check.recorded_by == site.manager.membership.pk
        assert set(check.readings.values_list("measured_by", flat=True)) == {None}
        entry = LedgerEntry.objects.get(vehicle=vehicle, kind="height_checks_imported")
        facts = entry.payload["facts"]
        assert (facts["import"], facts["lines"], facts["file_sha256"]) == (found["id"], [2, 3, 4], found["file_sha256"])
        assert (entry.actor, entry.roles) == (site.manager.membership.pk, ["manager", "technician"])

    def test_count_from_when_they_were_received_elsewhere(self, site: Site, vehicle: Vehicle) -> None:
        columns = json.dumps({"received_at": "taken_at"})
        imported(site, csv_of([check_row(vehicle.vin)]), columns=columns)

        check = HeightCheck.objects.get(vehicle=vehicle)
        assert check.received_at == check.taken_at == datetime(2025, 5, 4, 7, 30, tzinfo=UTC)

    def test_ask_for_one_evaluation_a_vehicle(self, site: Site, vehicle: Vehicle) -> None:
        other = site.vehicle()
        kinds = OutboxItem.objects.filter(kind="calibration.drift_changed")
        before = kinds.count()
        imported(site, csv_of([*days(vehicle.vin, 30), *days(other.vin, 30), *days(vehicle.vin, 5, odometer_km=7)]))

        assert kinds.count() == before + 2

    def test_the_same_file_twice_does_no_harm(self, site: Site, vehicle: Vehicle) -> None:
        content = csv_of(days(vehicle.vin, 5))
        first, second = imported(site, content), imported(site, content)

        assert (counts(first), counts(second)) == (("done", 5, 5, 0, 0), ("done", 5, 5, 5, 0))
        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 5

    def test_the_same_row_twice_in_a_file_is_recorded_once(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row(vehicle.vin), check_row(vehicle.vin)]))

        assert counts(found) == ("done", 2, 2, 1, 0)
        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1

    def test_what_a_tablet_has_sent_before_is_marked_as_its_repeat(self, site: Site, vehicle: Vehicle) -> None:
        imported(site, csv_of([check_row(vehicle.vin)]))
        imported(site, csv_of([check_row(vehicle.vin, odometer_km=41251)]))

        first, second = HeightCheck.objects.filter(vehicle=vehicle).order_by("recorded_at")
        assert (first.repeats, second.repeats) == (None, first)

    def test_an_id_of_its_own_names_a_row_for_good(self, site: Site, vehicle: Vehicle) -> None:
        key = str(new_id())
        rows = [check_row(vehicle.vin, id=key), check_row(vehicle.vin, id=key, FL_mm=490)]
        found = imported(site, csv_of(rows))

        assert (counts(found)[1:], codes(found)) == ((2, 1, 0, 1), [(3, "id", "id_reused")])
        assert HeightCheck.objects.get(vehicle=vehicle).pk.hex == key.replace("-", "")
        assert counts(imported(site, csv_of(rows[:1])))[1:] == (1, 1, 1, 0)

    def test_a_lower_odometer_within_the_file_is_found(self, site: Site, vehicle: Vehicle) -> None:
        rows = [check_row(vehicle.vin), check_row(vehicle.vin, "2025-06-01T08:00:00Z", odometer_km=41000)]
        imported(site, csv_of(rows))

        last = HeightCheck.objects.filter(vehicle=vehicle).latest("happened_at")
        assert "odometer_lower" in {each["code"] for each in last.findings}

    def test_a_vin_that_was_corrected_leads_to_its_vehicle(self, site: Site, vehicle: Vehicle) -> None:
        before = vehicle.vin
        body = {"vin": new_vin(), "reason": "mistyped"}
        assert site.manager.client().post(f"/api/v1/vehicles/{before}/vin-correction/", body).status_code == 201
        assert counts(imported(site, csv_of([check_row(before)])))[:3] == ("done", 1, 1)


class TestVehicles:
    def test_are_added_as_single_ones_are(self, site: Site) -> None:
        rows = vehicle_rows(site)
        found = imported(site, csv_of(rows), kind="vehicles")

        assert counts(found) == ("done", 2, 2, 0, 0)
        added = Vehicle.objects.get(vin=rows[0]["vin"])
        assert (added.registration, added.model_year) == ("LB 0", 2024)
        assert LedgerEntry.objects.filter(vehicle=added, kind="vehicle_added").count() == 1
        assert counts(imported(site, csv_of(rows), kind="vehicles")) == ("done", 2, 2, 2, 0)

    @pytest.mark.parametrize("dry_run", ["true", "false"])
    def test_of_which_the_vin_was_corrected_since_are_not_added_again(self, site: Site, dry_run: str) -> None:
        rows = vehicle_rows(site)
        imported(site, csv_of(rows), kind="vehicles")
        body = {"vin": new_vin(), "reason": "Mistyped in the list."}
        answer = site.manager.client().post(f"/api/v1/vehicles/{rows[0]['vin']}/vin-correction/", body)
        assert answer.status_code == 201, answer.json()
        count = Vehicle.objects.count()
        assert counts(imported(site, csv_of(rows), kind="vehicles", dry_run=dry_run)) == ("done", 2, 2, 2, 0)
        other = imported(site, csv_of([{**rows[0], "registration": "other"}]), kind="vehicles", dry_run=dry_run)
        assert codes(other) == [(2, "vin", "vin_corrected")]
        assert Vehicle.objects.count() == count

    def test_that_contradict_what_is_on_record_are_refused(self, site: Site) -> None:
        rows = vehicle_rows(site)
        rows.append({**rows[0], "registration": "other"})
        for dry_run in ("true", "false", "true"):
            found = imported(site, csv_of(rows), kind="vehicles", dry_run=dry_run)
            assert codes(found) == [(4, "vin", "vin_taken")], dry_run

    @pytest.mark.parametrize(
        ("changes", "column", "code"),
        [
            ({"operator": "Nobody"}, "operator", "unknown_operator"),
            ({"model": "Nothing"}, "model", "unknown_model"),
            ({"model_year": "1999"}, "model_year", "model_year_outside"),
            ({"model_year": "new"}, "model_year", "not_a_number"),
            ({"registration": "x" * 21}, "registration", "max_length"),
        ],
    )
    def test_refusals_name_the_column(self, site: Site, changes: dict[str, str], column: str, code: str) -> None:
        (row,) = vehicle_rows(site, 1)
        assert codes(imported(site, csv_of([{**row, **changes}]), kind="vehicles")) == [(2, column, code)]


class TestRefusedRows:
    @pytest.mark.parametrize(
        ("changes", "column", "code"),
        [
            ({"vin": "0LBWAGNX5RA99999"}, "vin", "vin_length"),
            ({"vin": "0LBWAGNX5RA999999"}, "vin", "unknown_vehicle"),
            ({"vin": ""}, "vin", "required"),
            ({"taken_at": "2025-05-04T09:30:00"}, "taken_at", "offset_required"),
            ({"taken_at": "2025-05-04"}, "taken_at", "time_of_day_missing"),
            ({"taken_at": "2025-02-30T09:30:00Z"}, "taken_at", "no_such_time"),
            ({"taken_at": "04/05/2025 09:30"}, "taken_at", "day_or_month_first"),
            ({"taken_at": "4 May 2025"}, "taken_at", "not_a_time"),
            ({"taken_at": "2999-05-04T09:30:00Z"}, "taken_at", "year_out_of_range"),
            ({"taken_at": "2098-05-04T09:30:00Z"}, "taken_at", "still_to_come"),
            ({"odometer_km": "41.250"}, "odometer_km", "ambiguous_number"),
            ({"odometer_km": "-1"}, "odometer_km", "too_small"),
            ({"instrument": "no-such"}, "instrument", "unknown_instrument"),
            ({"loading": "full"}, "loading", "not_allowed"),
            ({"FL_mm": ""}, "FL_mm", "required"),
            ({"FL_mm": "0"}, "FL_mm", "not_above"),
            ({"FL_mm": "1.234;5"}, "FL_mm", "not_a_number"),
            ({"FL_mm": '"1,234.5"'}, "FL_mm", "ambiguous_number"),
            ({"RR_mm": "19.8"}, "RR_mm", "confirm_height"),
            ({"RR_mm": "9" * 60}, "RR_mm", "too_large"),
            ({"id": "7"}, "id", "not_uuid7"),
            ({"confirmed": "perhaps"}, "confirmed", "not_yes_or_no"),
        ],
    )
    def test_are_told_by_line_column_and_rule(
        self, site: Site, vehicle: Vehicle, changes: dict[str, str], column: str, code: str
    ) -> None:
        empty = dict.fromkeys(changes.keys() - check_row("").keys(), "")
        found = imported(site, csv_of([{**check_row(vehicle.vin), **empty}, {**check_row(vehicle.vin), **changes}]))

        assert (counts(found)[1:], codes(found)) == ((2, 1, 0, 1), [(3, column, code)])
        meaning = next(each.label for each in CheckRows().columns() if each.name == column)
        assert found["errors"][0]["detail"].startswith(f"Line 3, column “{column}” ({meaning}): ")
        assert "'confirmed'" not in found["errors"][0]["detail"]

    def test_a_height_far_from_target_may_be_confirmed(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row(vehicle.vin, RR_mm=700, confirmed="yes")]))
        assert counts(found)[:3] == ("done", 1, 1)

    def test_all_faults_of_a_row_are_told(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row("X", "yesterday", FL_mm="low")]))

        assert [column for _line, column, _code in codes(found)] == ["vin", "taken_at", "FL_mm"]
        assert found["rejected"] == 1

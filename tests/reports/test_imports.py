"""Imports over HTTP: what is recorded, refused, known; who may; and that all formats say the same."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from calibration.models import HeightCheck, HeightCheckReading
from calibration.services.height_checks import height_check_record
from fleet import outbox
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Vehicle, Workshop
from fleet.tenancy import in_workshop
from reports.imports.check_rows import CheckRows
from reports.models import Import, ImportFile, ImportFilePart, RowProblem
from reports.services.import_running import import_file_remove
from tests.factories import Site, make_site, new_vin

from .imports import (
    IMPORTS,
    begun,
    carry_out,
    check_row,
    csv_of,
    german_row,
    imported,
    ndjson_of,
    send,
    xlsx_of,
)


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


def days(vin: str, count: int, **changes: Any) -> list[dict[str, Any]]:
    return [check_row(vin, f"2025-{1 + n // 28:02}-{1 + n % 28:02}T09:30:00+01:00", **changes) for n in range(count)]


def codes(found: dict[str, Any]) -> list[tuple[int, str, str]]:
    return [(each["line"], each["column"], each["code"]) for each in found["errors"]]


def counts(found: dict[str, Any]) -> tuple[str, int, int, int, int]:
    return found["state"], found["rows"], found["accepted"], found["known"], found["rejected"]


class TestChecks:
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

    def test_the_first_thousand_are_shown_and_all_are_in_the_file(self, site: Site) -> None:
        found = imported(site, csv_of([check_row("=X", "yesterday")] * 600))

        assert (found["rejected"], len(found["errors"])) == (600, 1000)
        lines = b"".join(site.manager.client().get(f"{IMPORTS}{found['id']}/errors/")).decode("utf-8-sig").splitlines()
        assert lines[0] == "line,column,code,detail"
        for accept in ("text/csv", "application/json", "*/*"):
            answer = site.manager.client().get(f"{IMPORTS}{found['id']}/errors/", HTTP_ACCEPT=accept)
            assert (answer.status_code, answer["Content-Type"]) == (200, "text/csv; charset=utf-8")
            assert b"".join(answer)
        assert len(lines) == 1201


class TestFormats:
    def test_all_say_the_same(self, site: Site) -> None:
        tape = site.instrument()
        recorded = []
        for make in (
            csv_of,
            lambda rows: csv_of(rows, ";", comma=True),
            lambda rows: csv_of(rows, "\t", comma=True),
            lambda rows: b"\xef\xbb\xbf" + csv_of(rows),
            lambda rows: csv_of(rows, "\t").decode().encode("utf-16"),
            xlsx_of,
            ndjson_of,
        ):
            vehicle = site.vehicle()
            rows = days(vehicle.vin, 3, instrument=tape.serial)
            found = imported(site, make(rows))
            assert counts(found) == ("done", 3, 3, 0, 0), found
            checks = HeightCheck.objects.filter(vehicle=vehicle).order_by("taken_at")
            recorded.append(
                [
                    (
                        each.taken_at,
                        each.odometer_km,
                        each.instrument_id,
                        list(each.readings.values_list("corner", "height_mm")),
                    )
                    for each in checks
                ]
            )
        assert all(each == recorded[0] for each in recorded)
        assert recorded[0][0][3][0] == ("FL", Decimal("486.5"))

    def test_times_of_a_spreadsheet_are_of_the_zone_that_was_chosen(self, site: Site, vehicle: Vehicle) -> None:
        rows = [
            check_row(vehicle.vin, taken_at=datetime.fromisoformat(at))
            for at in ("2025-07-04T09:30", "2025-10-26T02:30")
        ]
        found = imported(site, xlsx_of(rows), time_zone="Europe/Berlin")

        assert codes(found) == [(3, "taken_at", "ambiguous_time")]
        assert HeightCheck.objects.get(vehicle=vehicle).taken_at == datetime(2025, 7, 4, 7, 30, tzinfo=UTC)

    def test_headings_of_the_file_are_named(self, site: Site, vehicle: Vehicle) -> None:
        content = csv_of([check_row(vehicle.vin)]).replace(b"vin,", b"Wagen,", 1)
        assert send(site.manager, content).json()["errors"][0]["code"] == "missing_column"
        found = imported(site, content, columns='{"vin": "Wagen"}')
        assert counts(found)[:3] == ("done", 1, 1)

    def test_headings_of_a_workshop_are_known(self, site: Site, vehicle: Vehicle) -> None:
        row = german_row(vehicle.vin, datetime.fromisoformat("2025-07-04T09:30"))
        found = imported(site, xlsx_of([row]), time_zone="Europe/Berlin", loading="as_specified")

        assert counts(found) == ("done", 1, 1, 0, 0), found
        assert found["columns"]["FL_mm"] == "Höhe VL (mm)"
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert (check.loading, check.odometer_km) == ("as_specified", Decimal(41250))

    def test_between_two_headings_nobody_guesses(self, site: Site, vehicle: Vehicle) -> None:
        content = csv_of([{**german_row(vehicle.vin, "2025-07-04T09:30Z"), "Fahrgestellnummer": "x"}])
        (error,) = send(site.manager, content, loading="other").json()["errors"]
        assert error["code"] == "ambiguous_column"
        assert "“FIN”, “Fahrgestellnummer”" in error["detail"]
        found = imported(site, content, loading="other", columns='{"vin": "FIN"}')
        assert counts(found)[:3] == ("done", 1, 1)

    def test_how_vehicles_were_loaded_has_to_be_said(self, site: Site, vehicle: Vehicle) -> None:
        answer = send(site.manager, csv_of([german_row(vehicle.vin, "2025-07-04T09:30Z")]))
        assert [each["code"] for each in answer.json()["errors"]] == ["missing_column"]
        assert "loading" in answer.json()["errors"][0]["detail"]

    @pytest.mark.parametrize("written", ["as specified", "wie vorgeschrieben", "As_Specified"])
    def test_loading_may_be_written_in_words(self, site: Site, vehicle: Vehicle, written: str) -> None:
        imported(site, csv_of([check_row(vehicle.vin, loading=written)]))
        assert HeightCheck.objects.get(vehicle=vehicle).loading == "as_specified"


class TestDays:
    """Checks of which only the day was noted."""

    def days_alone(self, site: Site, vehicle: Vehicle, day: Any = "2025-07-04", **fields: Any) -> dict[str, Any]:
        fields = {"loading": "as_specified", "time_of_day": "12:00", "time_zone": "Europe/Berlin", **fields}
        return imported(site, csv_of([german_row(vehicle.vin, day)]), **fields)

    def test_say_that_their_time_was_assumed(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle)

        assert counts(found) == ("done", 1, 1, 0, 0), found
        assert found["assumptions"] == {"time_of_day": "12:00", "loading": "as_specified"}
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert check.taken_at == datetime(2025, 7, 4, 10, tzinfo=UTC)
        told = site.manager.client().get(f"/api/v1/checks/{check.pk}/").json()["findings"]
        (finding,) = (each for each in told if each["code"] == "time_assumed")
        assert finding["severity"] == "note"
        assert "12:00 (Europe/Berlin)" in finding["detail"]
        entry = LedgerEntry.objects.get(vehicle=vehicle, kind="height_checks_imported")
        (row,) = entry.payload["rows"]["calibration.heightcheck"]
        assert row["findings"][0]["values"]["day_on"] == "2025-07-04"

    def test_without_a_time_of_day_are_refused(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle, time_of_day="")
        assert codes(found) == [(2, "taken_at", "time_of_day_missing")]

    def test_are_in_the_workshops_zone_where_none_is_chosen(self, site: Site, vehicle: Vehicle) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.filter(pk=site.workshop.pk).update(time_zone="America/New_York")
        self.days_alone(site, vehicle, time_zone="")
        assert HeightCheck.objects.get(vehicle=vehicle).taken_at == datetime(2025, 7, 4, 16, tzinfo=UTC)

    def test_are_known_again_whatever_time_is_assumed(self, site: Site, vehicle: Vehicle) -> None:
        first, again = self.days_alone(site, vehicle), self.days_alone(site, vehicle, time_of_day="09:00")
        assert (counts(first)[3], counts(again)[3]) == (0, 1)
        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1

    def test_a_time_that_was_noted_is_not_called_assumed(self, site: Site, vehicle: Vehicle) -> None:
        self.days_alone(site, vehicle, "2025-07-04 09:30")
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert (check.taken_at.hour, [each["code"] for each in check.findings]) == (7, [])

    def test_a_time_of_day_in_a_column_of_its_own_is_taken(self, site: Site, vehicle: Vehicle) -> None:
        rows = [
            {**german_row(vehicle.vin, f"0{n}.07.2025"), "Uhrzeit": at} for n, at in ((1, "9:15"), (2, ""), (3, "x"))
        ]
        fields = {"loading": "as_specified", "time_of_day": "12:00", "time_zone": "Europe/Berlin"}
        found = imported(site, csv_of(rows), **fields)

        assert codes(found) == [(4, "clock", "not_a_time_of_day")]
        noted, assumed = HeightCheck.objects.filter(vehicle=vehicle).order_by("taken_at")
        assert noted.taken_at == datetime(2025, 7, 1, 7, 15, tzinfo=UTC)
        assert [[each["code"] for each in check.findings] for check in (noted, assumed)] == [[], ["time_assumed"]]

    def test_today_is_no_wrong_clock(self, site: Site, vehicle: Vehicle) -> None:
        self.days_alone(site, vehicle, timezone.now().date().isoformat(), time_of_day="23:59", time_zone="UTC")
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert [each["code"] for each in check.findings] == ["time_assumed"]
        assert check.happened_at <= check.received_at

    def test_tomorrow_is_refused(self, site: Site, vehicle: Vehicle) -> None:
        tomorrow = (timezone.now() + timedelta(days=1)).date().isoformat()
        found = self.days_alone(site, vehicle, tomorrow, time_of_day="00:00", time_zone="UTC")
        assert codes(found) == [(2, "taken_at", "still_to_come")]
        assert not HeightCheck.objects.filter(vehicle=vehicle).exists()

    @pytest.mark.parametrize(("order", "month"), [("day_first", 5), ("month_first", 3)])
    def test_slashes_are_read_in_the_order_that_was_said(
        self, site: Site, vehicle: Vehicle, order: str, month: int
    ) -> None:
        assert codes(self.days_alone(site, vehicle, "03/05/2024")) == [(2, "taken_at", "day_or_month_first")]
        self.days_alone(site, vehicle, "03/05/2024", day_order=order)
        assert HeightCheck.objects.get(vehicle=vehicle).taken_at.month == month

    def test_the_import_tells_the_ledger_what_was_assumed(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle)
        entry = LedgerEntry.objects.get(kind="import_ended", record_id=found["id"])
        assert entry.payload["facts"]["assumptions"]["time_of_day"] == "12:00"

    @pytest.mark.parametrize(
        ("fields", "code"),
        [
            ({"time_of_day": "noon"}, "not_a_time_of_day"),
            ({"time_of_day": "24:00"}, "not_a_time_of_day"),
            ({"day_order": "dmy"}, "not_allowed"),
            ({"loading": "full"}, "not_allowed"),
        ],
    )
    def test_what_is_said_is_checked(self, site: Site, fields: dict[str, str], code: str) -> None:
        answer = send(site.manager, csv_of([check_row("X")]), **fields)
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, code)


class TestVehicles:
    def rows(self, site: Site, count: int = 2) -> list[dict[str, Any]]:
        known = site.vehicle()
        model = known.vehicle_model
        named = {"make": model.make, "model": model.name.upper(), "operator": known.operator.name, "model_year": 2024}
        return [{"vin": new_vin(), "registration": f"LB {number}", **named} for number in range(count)]

    def test_are_added_as_single_ones_are(self, site: Site) -> None:
        rows = self.rows(site)
        found = imported(site, csv_of(rows), kind="vehicles")

        assert counts(found) == ("done", 2, 2, 0, 0)
        added = Vehicle.objects.get(vin=rows[0]["vin"])
        assert (added.registration, added.model_year) == ("LB 0", 2024)
        assert LedgerEntry.objects.filter(vehicle=added, kind="vehicle_added").count() == 1
        assert counts(imported(site, csv_of(rows), kind="vehicles")) == ("done", 2, 2, 2, 0)

    def test_that_contradict_what_is_on_record_are_refused(self, site: Site) -> None:
        rows = self.rows(site)
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
        (row,) = self.rows(site, 1)
        assert codes(imported(site, csv_of([{**row, **changes}]), kind="vehicles")) == [(2, column, code)]


class TestTrial:
    def test_says_the_same_and_keeps_nothing(self, site: Site, vehicle: Vehicle) -> None:
        key = str(new_id())
        rows = [
            check_row(vehicle.vin, id=""),
            check_row("X", id=""),
            check_row(vehicle.vin, "2025-07-01T08:00:00Z", id=key),
            *(check_row(vehicle.vin, f"2024-01-{1 + n % 28:02}T{n // 28:02}:00:00Z", id="") for n in range(600)),
            check_row(vehicle.vin, id=key),
        ]
        with in_workshop(site.workshop.pk):
            before = LedgerEntry.objects.filter(vehicle=vehicle).count()
        trial = imported(site, csv_of(rows), dry_run="true")

        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 0
        assert LedgerEntry.objects.filter(vehicle=vehicle).count() == before
        earnest = imported(site, csv_of(rows))
        assert codes(trial) == codes(earnest) == [(3, "vin", "vin_length"), (605, "id", "id_reused")]
        assert counts(trial) == counts(earnest)


class TestAllOrNothing:
    def test_records_nothing_where_a_row_is_refused(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([*days(vehicle.vin, 3), check_row("X")]), atomic="true")

        assert (found["state"], found["failure"]["code"], found["accepted"]) == ("failed", "rows_rejected", 0)
        assert codes(found) == [(5, "vin", "vin_length")]
        assert not HeightCheck.objects.filter(vehicle=vehicle).exists()

    def test_records_all_at_once(self, site: Site, vehicle: Vehicle) -> None:
        key = begun(site, csv_of(days(vehicle.vin, 300) + days(vehicle.vin, 300, odometer_km=5)), atomic="true")
        seen = []
        while (run := Import.objects.get(pk=key)).finished_at is None:
            (item,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
            assert outbox.perform(site.workshop.pk, item.pk)
            seen.append((run.phase, HeightCheck.objects.filter(vehicle=vehicle).count()))
        assert [count for _phase, count in seen[:-1]] == [0] * (len(seen) - 1)
        assert seen[-1] == ("recording", 600)
        assert (run.state, run.accepted) == ("done", 600)

    def test_what_changed_since_the_check_takes_all_of_it_back(self, site: Site) -> None:
        rows = TestVehicles().rows(site, 3)
        key = begun(site, csv_of(rows), kind="vehicles", atomic="true")
        (item,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
        assert outbox.perform(site.workshop.pk, item.pk)
        (waiting,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
        second = begun(site, csv_of([{**rows[2], "registration": "other"}]), kind="vehicles")
        (other,) = OutboxItem.objects.filter(payload={"import": second}, state="waiting")
        for each in (other, waiting):
            assert outbox.perform(site.workshop.pk, each.pk)

        run = Import.objects.get(pk=key)
        assert (run.state, run.accepted) == ("failed", 0)
        assert not Vehicle.objects.filter(vin=rows[0]["vin"]).exists()

    def test_takes_a_limited_number_of_rows(self, site: Site, vehicle: Vehicle, settings: Any) -> None:
        settings.IMPORT_MOST_ATOMIC_ROWS = 2
        answer = send(site.manager, csv_of(days(vehicle.vin, 3)), atomic="true")
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "too_many_for_atomic")
        found = imported(site, xlsx_of(days(vehicle.vin, 3)), atomic="true")
        assert (found["state"], found["failure"]["code"]) == ("failed", "too_many_for_atomic")


class TestRefusedFiles:
    @pytest.mark.parametrize(
        ("content", "code"),
        [
            (b"", "empty_file"),
            (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old", "old_spreadsheet"),
            (b"%PDF-1.7 no table", "unknown_format"),
            (b"\x00\x01\x02\x03", "unknown_format"),
            ("vin,taken_at\nMÜ 12,x\n".encode("cp1252"), "not_utf8"),
            (b"vin;taken_at\r\n", "missing_column"),
            (b"PK\x03\x04 not really", "unreadable_spreadsheet"),
            (b"vin,vin,taken_at\n", "heading_twice"),
            (b",".join(b"c%d" % n for n in range(300)) + b"\n", "too_many_columns"),
            (b"x" * 300_000, "line_too_long"),
            (b'"vin,taken_at\n', "broken_quoting"),
        ],
    )
    def test_say_what_is_wrong(self, site: Site, content: bytes, code: str) -> None:
        answer = send(site.manager, content)
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, code), answer.json()
        assert not ImportFile.objects.exists()

    def test_of_too_many_rows_or_bytes(self, site: Site, vehicle: Vehicle, settings: Any) -> None:
        content = csv_of(days(vehicle.vin, 5))
        settings.IMPORT_MOST_ROWS = 4
        assert send(site.manager, content).json()["errors"][0]["code"] == "too_many_rows"
        assert send(site.manager, xlsx_of(days(vehicle.vin, 5))).json()["errors"][0]["code"] == "too_many_rows"
        settings.IMPORT_LARGEST_BYTES = 100
        answer = send(site.manager, content)
        assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[-1]) == (413, "too_large")

    @pytest.mark.parametrize(
        ("fields", "code"),
        [
            ({"kind": "people"}, "not_allowed"),
            ({"dry_run": "perhaps"}, "not_a_boolean"),
            ({"columns": "[1]"}, "not_columns"),
            ({"columns": '{"vin": "no such"}'}, "unknown_heading"),
            ({"columns": '{"price": "vin"}'}, "unknown_column"),
            ({"time_zone": "Mars/North"}, "unknown_time_zone"),
            ({"colums": "{}"}, "unknown_member"),
            ({"id": "7"}, "not_a_uuid"),
        ],
    )
    def test_fields_are_checked(self, site: Site, vehicle: Vehicle, fields: dict[str, str], code: str) -> None:
        answer = send(site.manager, csv_of([check_row(vehicle.vin)]), **fields)
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, code)


class TestRuns:
    def test_sent_twice_with_its_id_it_is_one(self, site: Site, vehicle: Vehicle) -> None:
        content, key = csv_of([check_row(vehicle.vin)]), str(new_id())
        first = send(site.manager, content, id=key)
        again = send(site.manager, content, id=key)
        other = send(site.manager, content + b"\n", id=key)

        assert (first.status_code, again.status_code, other.status_code) == (202, 200, 409)
        assert first.json()["id"] == again.json()["id"] == key
        assert Import.objects.count() == 1

    def test_may_be_cancelled_and_keep_what_they_recorded(self, site: Site, vehicle: Vehicle) -> None:
        key = begun(
            site, csv_of([check_row(vehicle.vin, f"2024-01-{1 + n % 28:02}T{n // 28:02}:00:00Z") for n in range(600)])
        )
        (item,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
        assert outbox.perform(site.workshop.pk, item.pk)
        path = f"{IMPORTS}{key}/cancellation/"
        answer = site.manager.client().post(path, {})
        carry_out(site)

        assert (answer.status_code, answer.json()["state"], answer.json()["accepted"]) == (200, "cancelled", 500)
        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 500
        assert OutboxItem.objects.filter(
            kind="calibration.drift_changed", payload={"vehicle": str(vehicle.pk)}
        ).exists()
        assert site.manager.client().post(path, {}).status_code == 200

    def test_that_have_ended_cannot_be_cancelled(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row(vehicle.vin)]))
        assert site.manager.client().post(f"{IMPORTS}{found['id']}/cancellation/", {}).status_code == 409

    def test_of_somebody_who_is_no_manager_any_more_fail(self, site: Site, vehicle: Vehicle) -> None:
        other = site.person("manager")
        answer = send(other, csv_of([check_row(vehicle.vin)]))
        other.membership.roles = ["technician"]
        other.membership.save(update_fields=["roles"])
        carry_out(site)

        run = Import.objects.get(pk=answer.json()["id"])
        assert (run.state, (run.failure or {})["code"]) == ("failed", "role_missing")

    def test_are_of_managers_of_the_workshop_alone(self, site: Site, other_site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row(vehicle.vin)]))
        for role in ("technician", "auditor"):
            client = site.person(role).client()
            assert client.get(IMPORTS).status_code == 403
            assert client.get(f"{IMPORTS}{found['id']}/").status_code in (403, 404)
            assert send(site.person(role), b"x").status_code == 403
        stranger = other_site.manager.client()
        assert stranger.get(f"{IMPORTS}{found['id']}/").status_code == 404
        assert stranger.get(f"{IMPORTS}{found['id']}/errors/").status_code == 404
        assert stranger.post(f"{IMPORTS}{found['id']}/cancellation/", {}).status_code == 404
        assert stranger.get(IMPORTS).json()["results"] == []

    def test_files_are_removed_after_some_days(self, site: Site, vehicle: Vehicle) -> None:
        imported(site, csv_of([check_row(vehicle.vin)]))
        file = ImportFile.objects.get()
        for _twice in range(2):
            import_file_remove(actor=site.manager.actor(timezone.now()), file_id=file.pk)

        file.refresh_from_db()
        assert file.removed_at is not None
        assert not ImportFilePart.objects.exists()

    def test_another_workshops_vehicle_is_none(self, site: Site) -> None:
        stranger = make_site().vehicle()
        assert codes(imported(site, csv_of([check_row(stranger.vin)]))) == [(2, "vin", "unknown_vehicle")]
        assert RowProblem.objects.count() == 1
        assert not HeightCheckReading.objects.filter(height_check__vehicle=stranger.pk).exists()

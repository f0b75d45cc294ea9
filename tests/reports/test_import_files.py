"""Files of imports: all formats say the same, headings are known or asked about, what cannot be read is refused."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from calibration.models import HeightCheck
from fleet.models import Vehicle
from reports.models import ImportFile
from tests.factories import Site

from .imports import (
    check_row,
    codes,
    counts,
    csv_of,
    days,
    german_row,
    imported,
    ndjson_of,
    send,
    xlsx_of,
)


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


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

    def test_how_they_were_loaded_is_said_for_rows_of_json_too(self, site: Site, vehicle: Vehicle) -> None:
        row = check_row(vehicle.vin)
        del row["loading"]
        assert counts(imported(site, ndjson_of([row]), loading="as_specified"))[:3] == ("done", 1, 1)

    def test_a_cell_that_is_not_there_is_an_empty_one(self, site: Site, vehicle: Vehicle) -> None:
        """Of a table that has the column: what was said of all rows is for files without."""
        row = check_row(vehicle.vin)
        loading = row.pop("loading")
        whole = csv_of([{**row, "loading": loading}])
        found = imported(site, whole.replace(f",{loading}\r\n".encode(), b"\r\n"), loading="as_specified")
        assert codes(found) == [(2, "loading", "required")]

    @pytest.mark.parametrize("written", ["as specified", "wie vorgeschrieben", "As_Specified"])
    def test_loading_may_be_written_in_words(self, site: Site, vehicle: Vehicle, written: str) -> None:
        imported(site, csv_of([check_row(vehicle.vin, loading=written)]))
        assert HeightCheck.objects.get(vehicle=vehicle).loading == "as_specified"


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
            (b"vin,taken_at\rX,Y\r", "old_line_ends"),
            ("vin,taken_at\rX,Y\r".encode("utf-16"), "old_line_ends"),
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
        [refusal] = send(site.manager, xlsx_of(days(vehicle.vin, 5))).json()["errors"]
        assert (refusal["code"], refusal["detail"]) == ("too_many_rows", "The file has more than 4 rows. Split it.")
        assert send(site.manager, xlsx_of(days(vehicle.vin, 4))).status_code == 202
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
            ({"columns": '{"FL_mm": "FR_mm"}'}, "heading_twice_meant"),
            ({"time_zone": "Mars/North"}, "unknown_time_zone"),
            ({"time_zone": "localtime"}, "unknown_time_zone"),
            ({"colums": "{}"}, "unknown_member"),
            ({"id": "7"}, "not_a_uuid"),
        ],
    )
    def test_fields_are_checked(self, site: Site, vehicle: Vehicle, fields: dict[str, str], code: str) -> None:
        answer = send(site.manager, csv_of([check_row(vehicle.vin)]), **fields)
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, code)

"""The file of refused rows: in the language of whoever asked, and importable again once it is put right."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from calibration.models import HeightCheck
from deploy.languages import LANGUAGES
from fleet.tenancy import in_workshop
from reports.imports.error_columns import ERROR_HEADINGS
from reports.imports.error_file import CarriedColumn, carried_columns
from reports.imports.registry import kind_of
from reports.models import ImportFile
from reports.services.import_running import import_file_remove
from tests.factories import Site

from .imports import (
    IMPORTS,
    Rows,
    carry_out,
    check_row,
    counts,
    csv_of,
    german_row,
    imported,
    ndjson_of,
    vehicle_rows,
    xlsx_of,
)

Make = Callable[[Rows], bytes]


def imported_in(language: str, site: Site, content: bytes, **fields: Any) -> dict[str, Any]:
    """As `imported`, asked for by a program that reads a language."""
    body = {"file": SimpleUploadedFile("checks", content), "kind": "checks", **fields}
    client = site.manager.client()
    answer = client.post(IMPORTS, body, format="multipart", headers={"accept-language": language})
    assert answer.status_code == 202, answer.json()
    carry_out(site)
    found: dict[str, Any] = site.manager.client().get(f"{IMPORTS}{answer.json()['id']}/").json()
    return found


def errors_of(site: Site, found: dict[str, Any]) -> bytes:
    answer = site.manager.client().get(f"{IMPORTS}{found['id']}/errors/")
    assert answer.status_code == 200
    return b"".join(answer)


def table(content: bytes, delimiter: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), delimiter=delimiter))


def put_right(content: bytes, delimiter: str, heading: str, *cells: str) -> bytes:
    """As somebody does in a spreadsheet: other cells in one column, everything else left as it is."""
    headings, *rows = table(content, delimiter)
    place = headings.index(heading)
    for row, cell in zip(rows, cells, strict=True):
        row[place] = cell
    return written([headings, *rows], delimiter)


def written(rows: Sequence[Sequence[str]], delimiter: str) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter).writerows(rows)
    return text.getvalue().encode("utf-8-sig")


class TestContent:
    def test_half_a_character_within_an_object_is_written_as_json_has_it(self, site: Site) -> None:
        found = imported(site, ndjson_of([check_row("X", note={"a": "\ud800"})]))
        headings, row = table(errors_of(site, found), ",")
        assert row[headings.index("note")] == r'{"a": "\ud800"}'

    def test_the_first_thousand_are_shown_and_all_are_in_the_file(self, site: Site) -> None:
        found = imported(site, csv_of([check_row("=X", "yesterday")] * 600))

        assert (found["rejected"], len(found["errors"])) == (600, 1000)
        lines = table(errors_of(site, found), ",")
        assert lines[0][:4] == ["error: line", "error: column", "error: rule", "error: what is wrong"]
        assert lines[0][4:] == list(check_row(""))
        assert lines[600][:3] == ["601", "vin, taken_at", "vin_character, not_a_time"]
        assert lines[600][3].count("Line 601, column ") == 2
        assert lines[600][4:6] == ["'=X", "yesterday"]
        for accept in ("text/csv", "application/json", "*/*"):
            answer = site.manager.client().get(f"{IMPORTS}{found['id']}/errors/", HTTP_ACCEPT=accept)
            assert (answer.status_code, answer["Content-Type"]) == (200, "text/csv; charset=utf-8")
            assert b"".join(answer).startswith(b"\xef\xbb\xbf")
        assert len(lines) == 601

    @pytest.mark.parametrize("language", ["en", "de"])
    @pytest.mark.parametrize(
        ("make", "delimiters"),
        [
            (csv_of, {"en": ",", "de": ","}),
            (lambda rows: csv_of(rows, ";"), {"en": ";", "de": ";"}),
            (lambda rows: csv_of(rows, "\t"), {"en": "\t", "de": "\t"}),
            (xlsx_of, {"en": ",", "de": ";"}),
            (ndjson_of, {"en": ",", "de": ";"}),
        ],
        ids=["commas", "semicolons", "tabs", "xlsx", "ndjson"],
    )
    def test_is_separated_as_the_file_or_as_a_spreadsheet_of_the_language_expects(
        self, site: Site, make: Make, delimiters: dict[str, str], language: str
    ) -> None:
        found = imported_in(language, site, make([check_row("X")]))
        headings, row = table(errors_of(site, found), delimiters[language])

        assert headings[:4] == list(ERROR_HEADINGS[language])
        assert dict(zip(headings, row, strict=True))["vin"] == "X"
        is_as_it_stood = make is not xlsx_of and make is not ndjson_of
        figure = "486.5" if is_as_it_stood or language == "en" else "486,5"
        assert dict(zip(headings, row, strict=True))["FL_mm"] == figure

    def test_a_line_that_cannot_be_read_stands_there_without_cells(self, site: Site) -> None:
        broken = csv_of([check_row("X")]) + b'"never closed\r\n'
        lines = table(errors_of(site, imported(site, broken)), ",")

        assert [line[:3] for line in lines[1:]] == [["2", "vin", "vin_length"], ["3", "", "broken_quoting"]]
        assert (lines[1][4], set(lines[2][4:])) == ("X", {""})

    def test_without_the_files_content_it_still_says_what_was_wrong(self, site: Site) -> None:
        found = imported(site, csv_of([check_row("X")], ";"))
        with in_workshop(site.workshop.pk):
            file = ImportFile.objects.get()
            import_file_remove(actor=site.manager.actor(timezone.now()), file_id=file.pk)

        headings, row = table(errors_of(site, found), ";")
        assert (headings, row[:3]) == (list(ERROR_HEADINGS["en"]), ["2", "vin", "vin_length"])

    def test_of_an_import_without_errors_it_holds_headings_alone(self, site: Site) -> None:
        found = imported(site, csv_of([check_row(site.vehicle().vin)]))
        assert len(table(errors_of(site, found), ",")) == 1


class TestPutRight:
    @pytest.mark.parametrize("language", ["en", "de"])
    @pytest.mark.parametrize(
        ("make", "delimiters"),
        [
            (lambda rows: csv_of(rows, ";", comma=True), {"en": ";", "de": ";"}),
            (xlsx_of, {"en": ",", "de": ";"}),
            (ndjson_of, {"en": ",", "de": ";"}),
        ],
        ids=["csv", "xlsx", "ndjson"],
    )
    def test_it_is_imported_as_it_is(self, site: Site, make: Make, delimiters: dict[str, str], language: str) -> None:
        vehicle = site.vehicle()
        rows = [check_row("X"), check_row(vehicle.vin, "2025-07-01T08:00Z"), check_row("Y", "2025-06-01T08:00Z")]
        found = imported_in(language, site, make(rows))
        assert counts(found) == ("done", 3, 1, 0, 2)

        again = put_right(errors_of(site, found), delimiters[language], "vin", vehicle.vin, vehicle.vin)
        assert counts(imported(site, again)) == ("done", 2, 2, 0, 0)
        checks = HeightCheck.objects.filter(vehicle=vehicle)
        assert {each.taken_at.month for each in checks} == {5, 6, 7}
        heights = [[str(each.height_mm) for each in check.readings.order_by("corner")] for check in checks]
        assert heights[0] == heights[1] == heights[2]

    def test_it_may_be_saved_as_a_spreadsheet(self, site: Site) -> None:
        vehicle = site.vehicle()
        found = imported_in("de", site, csv_of([german_row("X", "04.07.2025 09:30")], ";"), loading="as_specified")
        headings, *rows = table(put_right(errors_of(site, found), ";", "FIN", vehicle.vin), ";")
        saved = xlsx_of([dict(zip(headings, row, strict=True)) for row in rows])

        fields = {"loading": "as_specified", "time_zone": "Europe/Berlin"}
        assert counts(imported(site, saved, **fields)) == ("done", 1, 1, 0, 0)

    def test_what_is_still_wrong_comes_back_without_more_columns(self, site: Site) -> None:
        first = errors_of(site, imported_in("de", site, csv_of([check_row("X")], ";")))
        second = errors_of(site, imported(site, first))

        assert table(second, ";")[0][4:] == table(first, ";")[0][4:] == list(check_row(""))
        assert table(second, ";")[1][4] == "X"

    def test_what_was_said_of_headings_need_not_be_said_again(self, site: Site) -> None:
        vehicle = site.vehicle()
        rows = [{"Wagen": "X", "FIN": "7", "Fahrgestellnummer": "8", **check_row("")}]
        del rows[0]["vin"]
        found = imported(site, csv_of(rows), columns=json.dumps({"vin": "Wagen", "received_at": "taken_at"}))
        content = errors_of(site, found)

        assert table(content, ",")[0][4:9] == ["vin", "FIN", "Fahrgestellnummer", "taken_at", "received_at"]
        assert counts(imported(site, put_right(content, ",", "vin", vehicle.vin))) == ("done", 1, 1, 0, 0)
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert check.received_at == check.taken_at

    def test_a_text_that_a_spreadsheet_would_calculate_is_recorded_as_it_was(self, site: Site) -> None:
        vehicle = site.vehicle()
        rows = [
            check_row("X", note="=1+1", temperature_deg_c="-4.5"),
            check_row("X", note="'t Veld", temperature_deg_c=""),
        ]
        content = errors_of(site, imported(site, csv_of(rows)))
        assert [row[-2:] for row in table(content, ",")[1:]] == [["'=1+1", "-4.5"], ["'t Veld", ""]]
        imported(site, put_right(content, ",", "vin", vehicle.vin, vehicle.vin))

        checks = HeightCheck.objects.filter(vehicle=vehicle)
        assert sorted(each.note for each in checks) == ["'t Veld", "=1+1"]

    def test_vehicles_too(self, site: Site) -> None:
        (row,) = vehicle_rows(site, 1)
        content = errors_of(site, imported(site, csv_of([{**row, "operator": "Nobody"}], ";"), kind="vehicles"))
        right = put_right(content, ";", "operator", row["operator"])

        assert counts(imported(site, right, kind="vehicles")) == ("done", 1, 1, 0, 0)


class TestHeadings:
    def test_are_in_every_language_and_no_two_alike(self) -> None:
        assert ERROR_HEADINGS.keys() == {code for code, _name in LANGUAGES}
        assert all(len(set(those)) == len(those) == 4 for those in ERROR_HEADINGS.values())

    def carried(self, headings: list[str], **mapping: str) -> list[str]:
        return [each.heading for each in carried_columns(kind_of("checks"), headings, mapping)]

    def test_that_were_understood_stay(self) -> None:
        found = carried_columns(kind_of("checks"), ["FIN", "Höhe VL"], {"vin": "FIN", "FL_mm": "Höhe VL"})
        assert found == [CarriedColumn("FIN", "FIN"), CarriedColumn("Höhe VL", "Höhe VL", is_number=True)]

    def test_that_mean_nothing_to_us_stay(self) -> None:
        assert self.carried(["FIN", "Wetter"], vin="FIN") == ["FIN", "Wetter"]

    def test_that_were_declined_are_left_out(self) -> None:
        assert self.carried(["FIN", "Bemerkung"], vin="FIN") == ["FIN"]

    def test_that_were_changed_round_stay_so(self) -> None:
        found = carried_columns(kind_of("checks"), ["FL_mm", "FR_mm"], {"FL_mm": "FR_mm", "FR_mm": "FL_mm"})
        assert [(each.source, each.heading) for each in found] == [("FL_mm", "FR_mm"), ("FR_mm", "FL_mm")]

    def test_none_stands_twice(self) -> None:
        assert self.carried(["Wagen", "vin"], vin="Wagen") == ["vin"]

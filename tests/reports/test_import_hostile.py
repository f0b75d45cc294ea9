"""Files made to do harm, and damaged ones: each is refused in words or read row by row, and nothing hangs."""

from __future__ import annotations

import csv
import io
import itertools
import random
import re
import zipfile
from collections.abc import Callable, Iterator
from typing import Any, Final, cast

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import Workbook

from calibration.models import HeightCheck
from fleet.ids import new_id
from fleet.models import Vehicle
from reports.imports.faults import Fault, FileFault
from reports.imports.sources import LONGEST_LINE, MOST_COLUMNS, CsvSource, NdjsonSource, Row
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of

from .imports import carry_out, check_row, csv_of, imported, ndjson_of, send, xlsx_of

RANDOM_SEED: Final = 20261126
SHEET: Final = "xl/worksheets/sheet1.xml"


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


def stream_of(content: bytes) -> io.BufferedReader:
    return cast("io.BufferedReader", io.BufferedReader(io.BytesIO(content)))


def rows_of(content: bytes, delimiter: str = ",") -> list[Row]:
    return list(CsvSource(stream_of(content), delimiter).rows())


def rows_of_each(content: bytes) -> Iterator[Row]:
    return CsvSource(stream_of(content), ",").rows()


def faults(rows: list[Row]) -> list[tuple[int, str]]:
    return [(row.line, row.fault.code) for row in rows if row.fault is not None]


class TestText:
    def test_an_open_quotation_mark_spoils_its_own_row_alone(self) -> None:
        rows = rows_of(b'a,b\n1,"open\n2,x\n3,y\n')
        assert faults(rows) == [(2, "broken_quoting")]
        assert [row.values for row in rows[1:]] == [{"a": "2", "b": "x"}, {"a": "3", "b": "y"}]

    def test_line_breaks_within_a_cell_are_counted_as_lines(self) -> None:
        rows = rows_of(b'a,b\r\n1,"x\r\ny"\r\n2,z\r\n')
        assert [(row.line, row.last_line) for row in rows] == [(2, 3), (4, 4)]

    def test_every_row_can_be_begun_at(self) -> None:
        content = b'a;b\n1;"x\ny"\n\n2;open"\n3;z\n'
        source = CsvSource(stream_of(content), ";")
        rows = list(source.rows())
        for number, row in enumerate(rows):
            assert list(source.rows(row.end, row.last_line)) == rows[number + 1 :]

    @pytest.mark.parametrize(
        ("line", "code"),
        [
            (b"1,\0", "nul_character"),
            (b"1,\xfc", "not_utf8"),
            (b"1," + b"x" * LONGEST_LINE, "line_too_long"),
            (b'1,"' + b"x" * (LONGEST_LINE - 10) + b'"', "broken_quoting"),
            (b"1,2,3", "too_many_cells"),
            (b'1,"2"3', "broken_quoting"),
        ],
    )
    def test_a_row_that_cannot_be_read_is_told_and_the_next_is_read(self, line: bytes, code: str) -> None:
        rows = rows_of(b"a,b\n" + line + b"\n4,5\n")
        assert faults(rows) == [(2, code)]
        assert rows[-1].values == {"a": "4", "b": "5"}

    @pytest.mark.parametrize(
        ("line", "code"),
        [
            (b"[" * 100_000, "not_json"),
            (b'{"a":' * 30_000, "not_json"),
            (b"[1]", "not_an_object"),
            (b'{"a": NaN}', "not_a_number"),
            (b'{"a": 1, "a": 2}', "duplicate_member"),
            (b'{"a": ' + b"9" * 10_000 + b"}", "not_json"),
            (b'{"a": 1e999999999}', "not_a_number"),
            (b'{"a": 1e-999999999}', "not_a_number"),
            (b'{"a": 1e9999999999999999999999}', "not_a_number"),
            (rb'{"a": "\u0000"}', "nul_character"),
            (rb'{"\u0000": 1}', "nul_character"),
            (rb'{"a": "\ud800"}', "half_character"),
            (rb'{"\udfff": 1}', "half_character"),
            (b"{", "not_json"),
        ],
    )
    def test_nor_does_hostile_json(self, line: bytes, code: str) -> None:
        content = stream_of(line + b'\n{"a": 1}\n')
        rows = list(NdjsonSource(content).rows())
        assert faults(rows) == [(1, code)]
        assert rows[-1].values == {"a": 1}

    def test_an_open_quotation_mark_reads_no_further_where_cells_of_archives_may_be_longer(self) -> None:
        content = b"a,b\n" + b'1,"open\n' * 3 + b"x,y\n" * 100_000
        before = csv.field_size_limit(50_000_000)
        try:
            found = list(itertools.islice(rows_of_each(content), 4))
        finally:
            csv.field_size_limit(before)
        assert [(row.line, row.fault and row.fault.code) for row in found] == [
            (2, "broken_quoting"),
            (3, "broken_quoting"),
            (4, "broken_quoting"),
            (5, None),
        ]
        assert "131072" in (found[2].fault or Fault("", "")).detail

    @pytest.mark.parametrize("column", ["id", "FL_mm", "taken_at", "confirmed", "vin"])
    @pytest.mark.parametrize("mode", [{}, {"dry_run": "true"}, {"atomic": "true"}])
    @pytest.mark.parametrize("value", ["\0", "\ud800"])
    def test_no_cell_stops_an_import(
        self, site: Site, vehicle: Vehicle, column: str, mode: dict[str, str], value: str
    ) -> None:
        right = check_row(vehicle.vin, id=str(new_id()), confirmed="")
        found = imported(site, ndjson_of([right, {**right, column: value}]), **mode)
        assert (found["rows"], found["rejected"]) == (2, 1)

    def test_objects_within_objects_are_refused_by_column(self, site: Site, vehicle: Vehicle) -> None:
        row = check_row(vehicle.vin)
        found = imported(site, ndjson_of([row, {**row, "FL_mm": {"deep": [1]}}, {**row, "note": ["a"]}]))
        assert [(each["line"], each["column"], each["code"]) for each in found["errors"]] == [
            (2, "FL_mm", "nested"),
            (3, "note", "nested"),
        ]

    @pytest.mark.parametrize("text", ["\u202e", "\x07"])
    def test_text_that_no_record_may_hold_is_refused(self, site: Site, vehicle: Vehicle, text: str) -> None:
        found = imported(site, ndjson_of([check_row(vehicle.vin, note=text)]))
        assert (found["rejected"], found["errors"][0]["column"]) == (1, "note")

    def test_a_formula_stays_text_and_does_no_harm_in_the_file_of_errors(self, site: Site, vehicle: Vehicle) -> None:
        imported(site, csv_of([check_row(vehicle.vin, note="=1+1")]))
        assert HeightCheck.objects.get(vehicle=vehicle).note == "=1+1"


def repacked(content: bytes, change: Callable[[str, bytes], bytes | None], **added: bytes) -> bytes:
    """The spreadsheet with members changed, left out (None), or added."""
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as before, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as after:
        for name in before.namelist():
            if (changed := change(name, before.read(name))) is not None:
                after.writestr(name, changed)
        for name, each in added.items():
            after.writestr(name, each)
    return packed.getvalue()


class TestSpreadsheets:
    def refused(self, site: Site, content: bytes) -> str:
        answer = send(site.manager, content)
        assert answer.status_code == 422, answer.content[:300]
        code: str = answer.json()["errors"][0]["code"]
        return code

    def test_a_bomb_is_not_unpacked(self, site: Site, vehicle: Vehicle) -> None:
        right = xlsx_of([check_row(vehicle.vin)])
        bomb = repacked(right, lambda name, text: b" " * 50_000_000 if name == SHEET else text)
        assert len(bomb) < 100_000
        assert self.refused(site, bomb) == "too_large_unpacked"
        texts = repacked(right, lambda _name, text: text, **{"xl/sharedStrings2.xml": b"x" * 9_000_000})
        assert self.refused(site, texts) == "too_large_unpacked"

    def test_entities_are_refused(self, site: Site, vehicle: Vehicle) -> None:
        laughs = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'
        right = xlsx_of([check_row(vehicle.vin)])
        content = repacked(right, lambda name, text: laughs + text if name == SHEET else text)
        assert self.refused(site, content) == "unreadable_spreadsheet"

    @pytest.mark.parametrize("method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
    def test_a_part_whose_packing_is_damaged_is_told(self, site: Site, vehicle: Vehicle, method: int) -> None:
        with zipfile.ZipFile(io.BytesIO(xlsx_of([check_row(vehicle.vin)]))) as right:
            members = {name: right.read(name) for name in right.namelist()}
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", method) as archive:
            for name, text in members.items():
                archive.writestr(name, text)
            begin = archive.getinfo(SHEET).header_offset + 30 + len(SHEET)
        content = bytearray(packed.getvalue())
        content[begin + 9 : begin + 200] = b"\xff" * 191
        assert self.refused(site, bytes(content)) == "unreadable_spreadsheet"

    @pytest.mark.parametrize("missing", [SHEET, "xl/workbook.xml", "[Content_Types].xml", "xl/_rels/workbook.xml.rels"])
    def test_missing_parts_are_told(self, site: Site, vehicle: Vehicle, missing: str) -> None:
        content = repacked(xlsx_of([check_row(vehicle.vin)]), lambda name, text: None if name == missing else text)
        assert self.refused(site, content) in {"unreadable_spreadsheet", "not_a_spreadsheet", "no_rows"}

    @pytest.mark.parametrize(
        ("cell", "row", "state"), [("A999999999999", "999999999999", "failed"), ("XFD3", "3", "done")]
    )
    def test_a_cell_far_out_costs_nothing(
        self, site: Site, vehicle: Vehicle, settings: Any, cell: str, row: str, state: str
    ) -> None:
        settings.IMPORT_MOST_ROWS = 2_000
        further = f'<row r="{row}"><c r="{cell}"><v>1</v></c></row></sheetData>'.encode()
        right = xlsx_of([check_row(vehicle.vin)])
        found = imported(site, repacked(right, lambda _name, text: text.replace(b"</sheetData>", further)))
        assert found["state"] == state

    def test_a_formula_counts_by_the_value_that_was_stored_with_it(self, site: Site, vehicle: Vehicle) -> None:
        row = check_row(vehicle.vin, FL_mm='=WEBSERVICE("http://127.0.0.1:9/")')
        found = imported(site, xlsx_of([row]))
        assert [(each["column"], each["code"]) for each in found["errors"]] == [("FL_mm", "required")]

    def test_a_file_of_another_kind_that_is_packed_alike_is_none(self, site: Site) -> None:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            archive.writestr("manifest.json", "{}")
        assert self.refused(site, packed.getvalue()) == "not_a_spreadsheet"

    def test_without_a_visible_sheet_there_are_no_rows(self, site: Site) -> None:
        book = Workbook()
        content = io.BytesIO()
        book.save(content)
        assert self.refused(site, content.getvalue()) == "no_rows"


class TestManyHeadings:
    """As many as a file may have, and more; whoever imports is told of some and offered some."""

    MANY: Final = {f"k{number}": "x" for number in range(10_000)}

    def test_members_without_end_are_not_all_offered(self, site: Site, vehicle: Vehicle) -> None:
        content = ndjson_of([{**check_row(vehicle.vin), **self.MANY}])
        file = SimpleUploadedFile("checks.ndjson", content)
        page = browser_of(site.manager).post("/imports/new/", {"file": file, "kind": "checks"}, follow=True)
        assert page.status_code == 200
        (choices,) = re.findall('<select name="column_note".*?</select>', page.content.decode(), re.DOTALL)
        assert choices.count("<option") == 1 + MOST_COLUMNS
        assert imported(site, content)["accepted"] == 1

    def test_columns_without_end_are_refused(self, site: Site, vehicle: Vehicle) -> None:
        rows = [{**check_row(vehicle.vin), **self.MANY}]
        refusal = send(site.manager, csv_of(rows))
        assert (refusal.status_code, refusal.json()["errors"][0]["code"]) == (422, "too_many_columns")
        refusal = send(site.manager, xlsx_of(rows), name="checks.xlsx")
        assert refusal.status_code == 422
        assert refusal.json()["errors"][0]["detail"].startswith("Row 1 of the spreadsheet holds far too much text.")

    def test_of_many_that_could_be_meant_some_are_named(self, site: Site, vehicle: Vehicle) -> None:
        row = check_row(vehicle.vin)
        vin = row.pop("vin")
        alike = {f"V{'.' * dots}I{'-' * dashes}N": vin for dots in range(12) for dashes in range(12)}
        refusal = send(site.manager, csv_of([{**row, **alike}]))
        (error,) = refusal.json()["errors"]
        assert (refusal.status_code, error["code"]) == (422, "ambiguous_column")
        assert "“VIN”, “VI-N”" in error["detail"]
        assert len(error["detail"]) < 500


def test_damaged_files_are_told_or_read(site: Site, vehicle: Vehicle) -> None:
    """Bytes changed, cut out and put in at random, in each format."""
    rng = random.Random(RANDOM_SEED)  # noqa: S311  (a sample)
    rows = [check_row(vehicle.vin, f"2025-05-0{1 + n}T09:30:00Z", note='a "b" c') for n in range(5)]
    for content in (csv_of([check_row(vehicle.vin)]), ndjson_of(rows), xlsx_of(rows)):
        for _time in range(12):
            answer = send(site.manager, damaged(content, rng))
            assert answer.status_code in (202, 422), answer.content[:300]
    carry_out(site)


def damaged(content: bytes, rng: random.Random) -> bytes:
    changed: Any = bytearray(content)
    for _time in range(rng.randint(1, 8)):
        place = rng.randrange(len(changed))
        match rng.randrange(3):
            case 0:
                changed[place] = rng.randrange(256)
            case 1:
                del changed[place : place + rng.randint(1, 20)]
            case _:
                changed[place:place] = rng.choice([b'"', b"\0", b"\n", b"\xff\xfe", b"{", b",", b";", b"9" * 400])
    return bytes(changed)


def test_what_no_table_is_has_no_headings() -> None:
    with pytest.raises(FileFault):
        rows_of(b"\n\n\n")

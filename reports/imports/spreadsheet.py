"""A spreadsheet's first visible sheet as lines of JSON: shown values only, nothing calculated, nothing fetched.

A spreadsheet cannot be read from its middle, so its rows are written out once. Sizes are looked at before anything is
unpacked: the directory's figures bound what the library reads.
"""

from __future__ import annotations

import io
import json
import re
import time
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from datetime import time as clock_time
from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext as _

from ..archive.opening import DAMAGED
from .faults import FileFault
from .sources import LONGEST_LINE

MOST_MEMBERS: Final = 1_000
LARGEST_SHEET: Final = 800_000_000
LARGEST_TEXTS: Final = 64_000_000
"""Of the table of texts, which is held in memory."""
LARGEST_OTHER: Final = 8_000_000
MOST_COMPRESSED: Final = 400
"""Times smaller than unpacked; sheets of figures are some 10 to 40 times."""
SMALL: Final = 1_000_000
LONGEST_S: Final = 40.0
"""A task may take 50 s."""
_NO_PLACEHOLDER: Final = re.compile(r'"[^"]*"|\[(?!h+\])[^\]]*\]|\\.', re.IGNORECASE)
"""Of a format of days and times: texts and colours, which may hold an h as well."""
_WORKBOOK: Final = "xl/workbook.xml"
_BLOCK_ROWS: Final = 500


def rows_written_out(stream: io.BufferedReader, most_rows: int) -> Iterator[bytes]:
    """One JSON array of texts for each row of the sheet, empty rows too: a line's number is the row's.

    `most_rows` are those below the headings.
    """
    _require_harmless(stream)
    stream.seek(0)
    lines: list[str] = []
    for cells in _rows(stream, most_rows):
        lines.append(json.dumps(cells, ensure_ascii=False))
        if len(lines) >= _BLOCK_ROWS:
            yield _block(lines)
            lines = []
    yield _block(lines)


def _block(lines: list[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode("utf-8", "replace")


def _rows(stream: io.BufferedReader, most_rows: int) -> Iterator[list[str]]:
    from openpyxl import load_workbook  # Slow to load, and needed seldom: no process need wait for it when it starts.

    began = time.monotonic()
    try:
        book = load_workbook(stream, read_only=True, data_only=True, keep_links=False)
        sheet = next((each for each in book.worksheets if each.sheet_state == "visible"), None)
        if sheet is None:
            raise FileFault("no_rows", _("The spreadsheet has no visible sheet."))
        sheet.reset_dimensions()
        for number, row in enumerate(sheet.iter_rows(), start=1):
            if number > most_rows + 1:
                raise _too_many_rows(most_rows)
            if time.monotonic() - began > LONGEST_S:
                raise FileFault("takes_too_long", _("The spreadsheet takes too long to read. Save it as CSV UTF-8."))
            yield _trimmed([_text(cell) for cell in row], number)
    except FileFault:
        raise
    except Exception as error:
        detail = _("The spreadsheet cannot be read (%(error)s). Open it, and save it anew as .xlsx.")
        raise FileFault("unreadable_spreadsheet", detail % {"error": type(error).__name__}) from error


def _trimmed(cells: list[str], number: int) -> list[str]:
    while cells and not cells[-1]:
        cells.pop()
    if sum(map(len, cells)) > LONGEST_LINE // 8:
        detail = _("Row %(row)s of the spreadsheet holds far too much text. Keep only the columns that are needed.")
        raise FileFault("cell_too_long", detail % {"row": number})
    return cells


def _text(cell: Any) -> str:
    """A cell as it would stand in CSV: a point as decimal sign, times after ISO 8601 without an offset."""
    value = cell.value
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case int() | float():
            return format(Decimal(repr(value)), "f")
        case datetime():
            return _moment(value, str(cell.number_format))
        case date():
            return value.isoformat()
        case clock_time() | timedelta():
            return str(value)
    return str(value).replace("\0", "\ufffd")


def _moment(value: datetime, number_format: str) -> str:
    """Rounded to the second: a day's fraction in floating point is no exact time."""
    if "h" not in _NO_PLACEHOLDER.sub("", number_format).lower():
        return value.date().isoformat()
    return (value + timedelta(microseconds=500_000)).replace(microsecond=0).isoformat()


def _require_harmless(stream: io.BufferedReader) -> None:
    try:
        with zipfile.ZipFile(stream) as archive:
            members = archive.infolist()
            if _WORKBOOK not in {each.filename for each in members}:
                raise FileFault("not_a_spreadsheet", _("This is a ZIP file, but no spreadsheet. Send .xlsx or CSV."))
            if len(members) > MOST_MEMBERS or any(_is_bomb(each) for each in members):
                raise FileFault("too_large_unpacked", _("Unpacked, the spreadsheet is far too large. Save it as CSV."))
            for each in members:
                if each.filename.endswith((".xml", ".rels")):
                    _require_no_entities(archive, each)
    except DAMAGED as error:
        detail = _("The spreadsheet is damaged or has a password. Open it, and save it anew as .xlsx.")
        raise FileFault("unreadable_spreadsheet", detail) from error


def _is_bomb(member: zipfile.ZipInfo) -> bool:
    if not member.filename.endswith((".xml", ".rels")):
        return False  # pictures and the like are never unpacked
    if member.file_size > SMALL and member.file_size > MOST_COMPRESSED * max(member.compress_size, 1):
        return True
    if "worksheets/" in member.filename:
        return member.file_size > LARGEST_SHEET
    return member.file_size > (LARGEST_TEXTS if "sharedStrings" in member.filename else LARGEST_OTHER)


def _require_no_entities(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> None:
    with archive.open(member) as content:
        head = content.read(4_096).replace(b"\0", b"")
    if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
        raise FileFault("unreadable_spreadsheet", _("The spreadsheet declares entities, as no spreadsheet needs to."))


def _too_many_rows(most: int) -> FileFault:
    return FileFault("too_many_rows", _("The file has more than %(most)s rows. Split it.") % {"most": most})

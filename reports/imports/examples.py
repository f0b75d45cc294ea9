"""Example files of each kind and format, to be filled in."""

from __future__ import annotations

import csv
import io
import json
from typing import Final

from ..models import ImportFile
from .kinds import ImportKind

MEDIA_TYPES: Final = {
    ImportFile.Format.CSV: "text/csv; charset=utf-8",
    ImportFile.Format.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ImportFile.Format.NDJSON: "application/x-ndjson",
}


def example_file(kind: ImportKind, form: str) -> bytes:
    """The columns of a kind with one row as it may be written."""
    row = {column.name: column.example for column in kind.columns()}
    if form == ImportFile.Format.NDJSON:
        return f"{json.dumps({name: value for name, value in row.items() if value})}\n".encode()
    return _spreadsheet(row) if form == ImportFile.Format.XLSX else _text(row)


def _text(row: dict[str, str]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([row.keys(), row.values()])
    return text.getvalue().encode("utf-8-sig")


def _spreadsheet(row: dict[str, str]) -> bytes:
    from openpyxl import Workbook  # Slow to load, and needed seldom: no process need wait for it when it starts.

    book = Workbook(write_only=True)
    sheet = book.create_sheet()
    sheet.append(list(row))
    sheet.append(list(row.values()))
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()

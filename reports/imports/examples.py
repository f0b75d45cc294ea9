"""Example files of each kind and format, to be filled in: made of the table of columns, in the reader's language."""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from django.utils.formats import get_format

from ..models import ImportFile
from . import columns as cells
from .columns import Column
from .headings import HEADINGS, heading
from .kinds import ImportKind

MEDIA_TYPES: Final = {
    ImportFile.Format.CSV: "text/csv; charset=utf-8",
    ImportFile.Format.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ImportFile.Format.NDJSON: "application/x-ndjson",
}


def example_file(kind: ImportKind, form: str, language: str) -> bytes:
    """The columns of a kind with one row as it may be written; for programs by the interface's names."""
    if form == ImportFile.Format.NDJSON:
        return f"{json.dumps({each.name: each.example for each in kind.columns() if each.example})}\n".encode()
    shown = [each for each in kind.columns() if each.name in HEADINGS and (each.example or not each.is_special)]
    names = [heading(each.name, language) for each in shown]
    if form == ImportFile.Format.XLSX:
        return _spreadsheet(names, [_value(each) for each in shown])
    return _text(names, [example_cell(each, language) for each in shown])


def example_cell(column: Column, language: str) -> str:
    """An example as people of a language write it."""
    value = _value(column)
    if isinstance(value, datetime):
        return value.strftime("%d.%m.%Y %H:%M" if language == "de" else "%Y-%m-%d %H:%M")
    return str(value).replace(".", _decimal_sign()) if isinstance(value, Decimal) else value


def _value(column: Column) -> Any:
    if column.cell is cells.moment and column.example:
        return datetime.fromisoformat(column.example).replace(tzinfo=None)
    if column.cell in (cells.number, cells.kilometres) and column.example:
        return Decimal(column.example)
    return str(column.shown_example or column.example)


def _decimal_sign() -> str:
    return str(get_format("DECIMAL_SEPARATOR"))


def _text(names: list[str], row: list[str]) -> bytes:
    """With semicolons where a comma stands before decimals, as spreadsheets there expect it."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=";" if _decimal_sign() == "," else ",").writerows([names, row])
    return text.getvalue().encode("utf-8-sig")


def _spreadsheet(names: list[str], row: list[Any]) -> bytes:
    from openpyxl import Workbook  # Slow to load, and needed seldom: no process need wait for it when it starts.

    book = Workbook(write_only=True)
    sheet = book.create_sheet()
    sheet.append(names)
    sheet.append(row)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()

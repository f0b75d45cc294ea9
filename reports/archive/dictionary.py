"""The data dictionary: every column of every table with its kind, unit and meaning, taken from the models themselves.

What a column means is its help text, else the sentence below it in the model's source, else its verbose name.
"""

from __future__ import annotations

import ast
import csv
import inspect
import io
import re
import textwrap
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any, Final, NamedTuple

from django.db.models import Field, ForeignKey, Model
from django.utils import translation

from .cells import is_json, kind_of
from .tables import LEFT_OUT, Table, tables

UNITS: Final = (
    ("_mm2", "mm²"),
    ("_mm_per_year", "mm/a"),
    ("_mm", "mm"),
    ("_um", "µm"),
    ("_km", "km"),
    ("_deg_c", "°C"),
    ("_ms", "ms"),
    ("_s", "s"),
    ("setpoints", "counts"),
    ("read_back", "counts"),
)
"""By the end of a column's name, which says it."""
DESCRIPTIONS: Final = {
    "id": "Identifier of the row, of which other tables speak",
    "recorded_at": "When the service recorded it",
    "created_at": "When it was added",
    "happened_at": "When it happened, by the clock of the service",
    "corner": "FL, FR, RL or RR: front or rear, left or right; empty: of no one corner",
    "setpoints": "By corner, the set-points stored in the control unit",
    "computed_with": "Version of the calculations, and their constants",
    "content_sha256": "SHA-256 of what was shown to whoever signed or decided",
    "ordinal": "Place among the readings",
    "version": "Raised by every change",
    "findings": "What was found to be out of the ordinary",
    "repeatability": "Repeatability known before: standard deviation and degrees of freedom",
    "instruments": "What the uncertainty of each instrument rests on",
}
HEADER: Final = ("table", "column", "kind", "unit", "empty_allowed", "refers_to", "one_of", "meaning")


class Line(NamedTuple):
    """One column of one table."""

    table: str
    column: str
    kind: str
    unit: str
    empty_allowed: str
    refers_to: str
    one_of: str
    meaning: str


def lines() -> Iterator[Line]:
    """All columns in the archive's order, in English."""
    with translation.override("en"):
        for table in tables():
            yield from (_line(table, field) for field in table.fields)
            if table.added:
                yield Line(table.label, table.added.name, "text", "", "true", "", "", table.added.says)


def as_csv() -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(HEADER)
    writer.writerows(lines())
    return text.getvalue()


def as_text() -> str:
    """The same to read, with how the archive is made up."""
    with translation.override("en"):
        return "\n".join([INTRODUCTION, *_chapters(), _left_out()])


INTRODUCTION: Final = """\
DATA DICTIONARY

manifest.json       what this archive is of, with the size and SHA-256 of every other file in it
tables/*.csv        one table each: UTF-8 with byte order mark, comma, CRLF, first line the names of the columns
certificates/*.pdf  certificates and findings reports by their number, byte by byte as they were issued
photos/             pictures, named after their SHA-256
ledger/             entries.ndjson: one ledger entry a line, RFC 8785, by book and sequence. The SHA-256 of a line
                    (without its line end) is the entry's hash; the next line of the same book carries it.
                    leaves.csv: the entries' hashes as leaves of the Merkle tree (RFC 9162, SHA-256; leaf data are
                    the 32 bytes of the hash), in their order. heads.ndjson: the signed heads (C2SP tlog-checkpoint).
                    keys.txt: the public keys by which heads may be signed. Keys and heads prove something where you
                    know them from elsewhere, such as from a printed certificate.

Empty cells are null; in columns of text they are the empty text. Times are in UTC. JSON stands in its cell as it is.
A cell of text that a spreadsheet would take for a formula (it begins with = + - @, a tab or a line end), or that
begins with an apostrophe, has one apostrophe in front that does not belong to it.
`workshop_id` is left out everywhere: all rows are of the workshop in the manifest.
"""


def _chapters() -> Iterator[str]:
    for table in tables():
        yield f"\n{table.label}\n{'=' * len(table.label)}\n{_about(table.model)}\n"
        for field in table.fields:
            yield _told(_line(table, field))
        if table.added:
            yield f"  {table.added.name}: text. {table.added.says}."
        yield from (f"  (left out) {name}: {why}." for name, why in table.without.items())


def _told(line: Line) -> str:
    facts = [line.kind, line.unit and f"in {line.unit}", line.refers_to and f"a row of {line.refers_to}"]
    facts += ["may be empty" if line.empty_allowed == "true" else "", line.one_of and f"one of {line.one_of}"]
    return f"  {line.column}: {', '.join(each for each in facts if each)}. {line.meaning.rstrip('.')}."


def _left_out() -> str:
    told = "\n".join(f"  {label}: {why}." for label, why in LEFT_OUT.items())
    return f"\nLEFT OUT\n========\n{told}\n"


def _line(table: Table, field: Field[Any, Any]) -> Line:
    refers_to = field.remote_field.model._meta.label_lower if isinstance(field, ForeignKey) else ""
    choices = " ".join(str(value) or '""' for value, _label in field.flatchoices)
    empty = "true" if field.null or (not is_json(field) and field.empty_strings_allowed and field.blank) else "false"
    return Line(
        table.label,
        field.attname,
        kind_of(field),
        _unit(field.attname),
        empty,
        refers_to,
        choices,
        _meaning(table.model, field),
    )


def _unit(name: str) -> str:
    return "bytes" if name == "size" else next((unit for end, unit in UNITS if name.endswith(end)), "")


def _meaning(model: type[Model], field: Field[Any, Any]) -> str:
    noted = field.help_text or _notes(model).get(field.name) or DESCRIPTIONS.get(field.name)
    text = str(noted or field.verbose_name)
    return re.sub(r"\s+", " ", text[:1].upper() + text[1:]).strip()


def _about(model: type[Model]) -> str:
    return "\n".join(textwrap.wrap(re.sub(r"\s+", " ", model.__doc__ or "").strip(), 110))


@cache
def _notes(model: type[Model]) -> dict[str, str]:
    """The sentences that stand below the fields in the source of a model and of what it is derived from."""
    notes: dict[str, str] = {}
    for each in reversed(model.__mro__):
        if issubclass(each, Model) and each is not Model:
            notes |= _notes_in(textwrap.dedent(inspect.getsource(each)))
    return notes


def _notes_in(source: str) -> dict[str, str]:
    body = ast.parse(source).body[0].body  # type: ignore[attr-defined]  # of a class
    found = {}
    for field, below in pairwise(body):
        is_note = isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant)
        if isinstance(field, ast.Assign) and isinstance(field.targets[0], ast.Name) and is_note:
            found[field.targets[0].id] = str(below.value.value)
    return found

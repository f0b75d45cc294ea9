"""What cells mean: from texts as people write them to what the interface's own fields then check."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from rest_framework.exceptions import ValidationError
from rest_framework.fields import Field

from .faults import Fault, RowFault

LONGEST_SHOWN: Final = 40
_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?", re.ASCII)
_GROUPED: Final = re.compile(r"[+-]?\d{1,3}[.,]\d{3}", re.ASCII)
_SPACES: Final = str.maketrans("", "", " \u00a0\u202f\u2009")
_ISO: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d?):(\d\d)(?::(\d\d)(\.\d{1,9})?)?\s*(Z|z|[+-]\d\d:?\d\d)?", re.ASCII
)
_DOTTED: Final = re.compile(r"(\d\d?)\.(\d\d?)\.(\d{4})[ T,]+(\d\d?):(\d\d)(?::(\d\d)(\.\d{1,9})?)?()", re.ASCII)
_DAY_ALONE: Final = re.compile(r"\d{4}-\d\d-\d\d|\d\d?\.\d\d?\.\d{4}", re.ASCII)
_YES: Final = frozenset({"true", "yes", "ja", "1", "x"})
_NO: Final = frozenset({"false", "no", "nein", "0", ""})


@dataclass(frozen=True)
class Reading:
    """How the cells of one file are to be understood."""

    zone: ZoneInfo | None
    """Of times without an offset; none: they are refused."""


Cell = Callable[[Any, Reading], Any]


@dataclass(frozen=True)
class Column:
    """One of our columns: its name, what it holds, how a cell becomes the value that its field checks."""

    name: str
    label: Any
    cell: Cell
    field: Field[Any, Any, Any, Any] | None = None
    is_required: bool = False
    """In the file and in every row."""
    example: str = ""

    def read(self, value: Any, reading: Reading) -> Any:
        """The value of a cell, None for an empty one; raises `RowFault` naming the rule."""
        if value is None or (isinstance(value, str) and not value.strip()):
            return None
        if isinstance(value, dict | list):
            raise RowFault("nested", _("Must be text or a number, not an object or a list."))
        plain = self.cell(value, reading)
        if self.field is None or plain is None:
            return plain
        try:
            return self.field.run_validation(plain)
        except ValidationError as error:
            first: Any = error.detail[0] if isinstance(error.detail, list) else error.detail
            raise RowFault(str(getattr(first, "code", "invalid")), str(first)) from None


def values_of(
    row: Mapping[str, Any], columns: Sequence[Column], mapping: Mapping[str, str], reading: Reading
) -> tuple[dict[str, Any], list[Fault]]:
    """The values of a row by our columns, and what is wrong with its cells."""
    values: dict[str, Any] = {}
    faults = []
    for column in columns:
        heading = mapping.get(column.name)
        try:
            values[column.name] = None if heading is None else column.read(row.get(heading), reading)
            if column.is_required and values[column.name] is None:
                raise RowFault("required", _("This cell is empty. Every row needs it."))
        except RowFault as refusal:
            faults.append(_in_column(refusal.fault, column.name, heading))
    return values, faults


def _in_column(fault: Fault, name: str, heading: str | None) -> Fault:
    where = name if heading in (None, name) else f"{name} ({shown(heading)})"
    return Fault(fault.code, f"{where}: {fault.detail}", name)


def shown(value: object) -> str:
    """A cell within a sentence, and not at any length."""
    text = str(value)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}…"


# --- How cells are written ---------------------------------------------------------------------------


def text(value: Any, _reading: Reading) -> str:
    """As it stands; a number as it is written."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return format(value, "f") if isinstance(value, Decimal) else str(value).strip()


def word(value: Any, reading: Reading) -> str:
    """One of a fixed set, however it is spaced."""
    return text(value, reading).lower().replace(" ", "_").replace("-", "_")


def number(value: Any, _reading: Reading) -> Decimal:
    """With a point or a comma before the decimals, and nothing between thousands."""
    if isinstance(value, bool):
        raise RowFault("not_a_number", _("Must be a number."))
    if isinstance(value, int | Decimal):
        return Decimal(value)
    written = str(value).translate(_SPACES)
    if "," in written and "." in written:
        detail = _("“%(value)s” has a point and a comma. Write it without a sign between thousands.")
        raise RowFault("ambiguous_number", detail % {"value": shown(value)})
    if not _NUMBER.fullmatch(written):
        raise RowFault("not_a_number", _("“%(value)s” is no number. Write it like 486.5.") % {"value": shown(value)})
    try:
        return Decimal(written.replace(",", "."))
    except InvalidOperation:
        raise RowFault("not_a_number", _("This number is far too long.")) from None


def kilometres(value: Any, reading: Reading) -> Decimal:
    """As `number`; 41.250 is refused, since it would mean 41 km where 41250 is meant."""
    if isinstance(value, str) and _GROUPED.fullmatch(value.translate(_SPACES)):
        detail = _("“%(value)s” may mean thousands or decimals. Write it like 41250 or 41250.5.")
        raise RowFault("ambiguous_number", detail % {"value": shown(value)})
    return number(value, reading)


def whole(value: Any, reading: Reading) -> int:
    found = number(value, reading)
    if found != found.to_integral_value() or abs(found) > 10**9:
        raise RowFault("not_whole", _("“%(value)s” is no whole number.") % {"value": shown(value)})
    return int(found)


def yes_or_no(value: Any, _reading: Reading) -> bool:
    word = str(value).strip().lower()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise RowFault("not_yes_or_no", _("“%(value)s” is no yes or no. Write true or false.") % {"value": shown(value)})


def moment(value: Any, reading: Reading) -> str:
    """A time after RFC 3339 from 2026-05-04T09:30+02:00, 2026-05-04 09:30 or 04.05.2026 09:30.

    One without an offset is of the zone that was chosen for the file; where none was, it is refused. An hour that the
    clocks skip or repeat is refused as well.
    """
    written = str(value).strip()
    if _DAY_ALONE.fullmatch(written):
        detail = _("“%(value)s” has no time of day. Add it; 12:00 where nobody knows.")
        raise RowFault("time_of_day_missing", detail % {"value": shown(value)})
    match = _ISO.fullmatch(written)
    dotted = None if match else _DOTTED.fullmatch(written)
    if match:
        year, month, day, hour, minute, second, fraction, offset = match.groups()
    elif dotted:
        day, month, year, hour, minute, second, fraction, offset = dotted.groups()
    else:
        detail = _("“%(value)s” is no time. Write it like 2026-05-04T09:30:00+02:00 or 2026-05-04 09:30.")
        raise RowFault("not_a_time", detail % {"value": shown(value)})
    clock = f"{year}-{month:0>2}-{day:0>2}T{hour:0>2}:{minute}:{second or '00'}"
    if offset:
        colon = offset if len(offset) in (1, 6) else f"{offset[:3]}:{offset[3:]}"
        return f"{clock}{fraction or ''}{colon}"
    return f"{clock}{fraction or ''}{_offset(clock, written, reading.zone)}"


def _offset(clock: str, written: str, zone: ZoneInfo | None) -> str:
    if zone is None:
        detail = _("“%(value)s” has no offset from UTC. Add it (+02:00), or choose a time zone for the import.")
        raise RowFault("offset_required", detail % {"value": shown(written)})
    try:
        naive = datetime.fromisoformat(clock)
    except ValueError:
        raise RowFault("no_such_time", _("There is no such time. Check day, hour and minute.")) from None
    early, late = (naive.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    if early != late:
        detail = _("At “%(value)s” the clocks were changed in %(zone)s. Write the offset, for example +02:00.")
        raise RowFault("ambiguous_time", detail % {"value": shown(written), "zone": zone.key})
    assert early is not None  # a zone always has an offset
    minutes = round(early.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def record_id(value: Any, _reading: Reading) -> uuid.UUID:
    """A UUID of version 7."""
    try:
        found = uuid.UUID(str(value).strip())
    except ValueError:
        found = None
    if found is None or found.version != 7:
        detail = _("“%(value)s” is no UUID of version 7. Leave the column out: a row is known by its content.")
        raise RowFault("not_uuid7", detail % {"value": shown(value)})
    return found

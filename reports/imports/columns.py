"""What cells mean: from texts as people write them to what the interface's own fields then check."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from decimal import Decimal, InvalidOperation
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from rest_framework.exceptions import ValidationError
from rest_framework.fields import Field

from .assumptions import DAY_FIRST
from .faults import Fault, RowFault

LONGEST_SHOWN: Final = 40
_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?", re.ASCII)
_GROUPED: Final = re.compile(r"[+-]?\d{1,3}[.,]\d{3}", re.ASCII)
_SPACES: Final = str.maketrans("", "", " \u00a0\u202f\u2009")
_ISO: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d?):(\d\d)(?::(\d\d)(\.\d{1,9})?)?\s*(Z|z|[+-]\d\d:?\d\d)?", re.ASCII
)
_TIME: Final = r"[ T,]+(\d\d?):(\d\d)(?::(\d\d)(\.\d{1,9})?)?\s*(Z|z|[+-]\d\d:?\d\d)?"
_TIME_WITHIN: Final = re.compile(r"[Tt ,](\d\d?):(\d\d)(?::(\d\d))?", re.ASCII)
_DOTTED: Final = re.compile(rf"(\d\d?)\.(\d\d?)\.(\d{{4}}){_TIME}", re.ASCII)
_SLASHED: Final = re.compile(rf"(\d\d?)/(\d\d?)/(\d{{4}})(?:{_TIME})?", re.ASCII)
_DAY_ALONE: Final = re.compile(r"(\d{4})-(\d\d)-(\d\d)|(\d\d?)\.(\d\d?)\.(\d{4})|(\d\d?)/(\d\d?)/(\d{4})", re.ASCII)
_SHORT_YEAR: Final = re.compile(r"\d\d?([./-])\d\d?\1\d\d(?:[ T,].*)?", re.ASCII | re.DOTALL)
_CLOCK: Final = re.compile(r"(?!0\.\d+$)(\d\d?)[:.](\d\d)(?:[:.](\d\d))?(?:\s*(?:Uhr|h))?", re.ASCII)
_YES: Final = frozenset({"true", "yes", "ja", "1", "x"})
_NO: Final = frozenset({"false", "no", "nein", "0", ""})


@dataclass(frozen=True)
class Reading:
    """How the cells of one file are to be understood."""

    zone: ZoneInfo | None
    """Of times without an offset; none: they are refused."""
    zone_of_days: ZoneInfo | None = None
    """In which a day without a time of day is one: that of times, or else the workshop's."""
    time_of_day: time | None = None
    """Assumed where there is only a day; none: such cells are refused."""
    day_order: str = ""
    """Of days written 03/05/2024; none: they are refused."""
    given: Mapping[str, str] = field(default_factory=dict)
    """What all rows hold in a column that the file, or of JSON the row, does not have."""


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
    may_be_given: bool = False
    """Where the file has no such column, the import may say what all rows hold."""
    is_special: bool = False
    """Needed by few: not in the files to begin with."""
    shown_example: Any = ""
    """The example in words, where `example` is the interface's code."""

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
            told = _("“%(value)s”: %(rule)s") % {"value": shown(value), "rule": first}
            raise RowFault(str(getattr(first, "code", "invalid")), told) from None


def values_of(
    row: Mapping[str, Any], columns: Sequence[Column], mapping: Mapping[str, str], reading: Reading
) -> tuple[dict[str, Any], list[Fault]]:
    """The values of a row by our columns, and what is wrong with its cells."""
    values: dict[str, Any] = {}
    faults = []
    for column in columns:
        heading = mapping.get(column.name)
        try:
            given = reading.given.get(column.name)
            cell = given if heading is None else row.get(heading, given)
            values[column.name] = column.read(cell, reading)
            if column.is_required and values[column.name] is None:
                raise RowFault("required", _("This cell is empty. Every row needs it."))
        except RowFault as refusal:
            faults.append(Fault(refusal.fault.code, refusal.fault.detail, column.name))
    return values, faults


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
    detail = _("“%(value)s” is no whole number.") % {"value": shown(value)}
    try:
        found = number(value, reading)
    except RowFault as refusal:
        raise RowFault(refusal.fault.code, detail) from None
    if found != found.to_integral_value() or abs(found) > 10**9:
        raise RowFault("not_whole", detail)
    return int(found)


def yes_or_no(value: Any, _reading: Reading) -> bool:
    word = str(value).strip().lower()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise RowFault("not_yes_or_no", _("“%(value)s” is no yes or no. Write yes or no.") % {"value": shown(value)})


def is_day_alone(value: Any) -> bool:
    """Whether a cell holds a day without a time of day."""
    return _DAY_ALONE.fullmatch(str(value).strip()) is not None


def time_written(value: Any) -> str | None:
    """The time of day in a cell that holds a day and a time, as `clock` gives it."""
    match = _TIME_WITHIN.search(str(value))
    return None if match is None else f"{match[1]:0>2}:{match[2]}:{match[3] or '00'}"


def is_slashed(value: Any) -> bool:
    """Whether a cell holds a day of which nobody can tell whether day or month comes first."""
    return _SLASHED.fullmatch(str(value).strip()) is not None


def clock(value: Any, _reading: Reading) -> str:
    """A time of day: 09:30, 9:30:00, 9.30 Uhr. 0.25 is refused: to a spreadsheet that is six o'clock."""
    match = _CLOCK.fullmatch(str(value).strip())
    if match is None:
        detail = _("“%(value)s” is no time of day. Write it like 09:30.")
        raise RowFault("not_a_time_of_day", detail % {"value": shown(value)})
    hour, minute, second = match.groups()
    return f"{hour:0>2}:{minute}:{second or '00'}"


def moment(value: Any, reading: Reading) -> str:
    """A time after RFC 3339 from 2026-05-04T09:30+02:00, 2026-05-04 09:30 or 04.05.2026 09:30.

    One without an offset is of the zone that was chosen for the file; where none was, it is refused. An hour that the
    clocks skip or repeat is refused as well. A day alone gets the time of day that was chosen, and 04/05/2026 is read
    in the order that was.
    """
    written = str(value).strip()
    if match := _ISO.fullmatch(written):
        year, month, day, hour, minute, second, fraction, offset = match.groups()
    elif match := _DOTTED.fullmatch(written):
        day, month, year, hour, minute, second, fraction, offset = match.groups()
    else:
        return _in_another_form(written, reading)
    read = f"{year}-{month:0>2}-{day:0>2}T{hour:0>2}:{minute}:{second or '00'}"
    if offset:
        colon = offset if len(offset) in (1, 6) else f"{offset[:3]}:{offset[3:]}"
        return f"{read}{fraction or ''}{colon}"
    return f"{read}{fraction or ''}{_offset(read, written, reading.zone)}"


def _in_another_form(written: str, reading: Reading) -> str:
    """Of what holds a day alone, or slashes."""
    if match := _DAY_ALONE.fullmatch(written):
        return _at_time_of_day(match, written, reading)
    match = _SLASHED.fullmatch(written)
    if match is None and _SHORT_YEAR.fullmatch(written):
        detail = _(
            "“%(value)s” has a year of two digits: the century, and often which number is the year, would be guessed. "
            "Write the year with all four digits, like 2026-05-04 or 04.05.2026."
        )
        raise RowFault("two_digit_year", detail % {"value": shown(written)})
    if match is None:
        detail = _("“%(value)s” is no date. Write it like 2026-05-04 09:30 or 04.05.2026 09:30, or only the day.")
        raise RowFault("not_a_time", detail % {"value": shown(written)})
    first, second, year, *_time = match.groups()
    day, month = _in_order(first, second, written, reading)
    rest = written[match.end(3) :].strip(" T,")
    return moment(f"{day}.{month}.{year} {rest}", reading)


def _at_time_of_day(match: re.Match[str], written: str, reading: Reading) -> str:
    first, second, third = (each for each in match.groups() if each is not None)
    if "/" in written:
        first, second = _in_order(first, second, written, reading)
    year, month, day = (first, second, third) if len(first) == 4 else (third, second, first)
    if reading.time_of_day is None:
        detail = _(
            "“%(value)s” is a day without a time of day. Add the time, or import the file once more and choose a time "
            "of day for such rows."
        )
        raise RowFault("time_of_day_missing", detail % {"value": shown(written)})
    read = f"{year}-{month:0>2}-{day:0>2}T{reading.time_of_day.isoformat('seconds')}"
    at = f"{written} {reading.time_of_day.isoformat('minutes')}"
    return f"{read}{_offset(read, at, reading.zone_of_days)}"


def _in_order(first: str, second: str, written: str, reading: Reading) -> tuple[str, str]:
    """Day and month of what stands before and after the first slash."""
    if not reading.day_order:
        detail = _(
            "Of “%(value)s” nobody can tell which is the day and which the month. Write it like 2024-03-05 or "
            "05.03.2024, or import the file once more and say which comes first."
        )
        raise RowFault("day_or_month_first", detail % {"value": shown(written)})
    return (first, second) if reading.day_order == DAY_FIRST else (second, first)


def _offset(read: str, written: str, zone: ZoneInfo | None) -> str:
    if zone is None:
        detail = _("“%(value)s” has no offset from UTC. Add it (+02:00), or choose a time zone for the import.")
        raise RowFault("offset_required", detail % {"value": shown(written)})
    try:
        naive = datetime.fromisoformat(read)
    except ValueError:
        raise RowFault("no_such_time", _no_such_time(written)) from None
    early, late = (naive.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    if early != late:
        detail = _("At “%(value)s” the clocks were changed in %(zone)s. Write the offset, for example +02:00.")
        raise RowFault("ambiguous_time", detail % {"value": shown(written), "zone": zone.key})
    assert early is not None  # a zone always has an offset
    minutes = round(early.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def _no_such_time(written: str) -> str:
    return _("There is no such time as “%(value)s”. Check day, month, hour and minute.") % {"value": shown(written)}


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

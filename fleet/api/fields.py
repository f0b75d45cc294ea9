"""Serializer fields that read strictly: a number is a JSON number, a time has an offset, a text is text.

Django REST framework's own fields convert what they can (`"486"`, `true`, `1.0e2` as text); a record that is
kept for years must not depend on such guesses.
"""

from __future__ import annotations

import re
import unicodedata
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any, ClassVar, Final

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from fleet.errors import Invalid
from fleet.tyres import TyreSize, parse_tyre_size
from fleet.vin import parse_vin

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise as StrOrPromise

CORNERS: Final = ("FL", "FR", "RL", "RR")
INT32_MIN: Final = -(2**31)
INT32_MAX: Final = 2**31 - 1
FIRST_YEAR: Final = 1980
LAST_YEAR: Final = 2100
HIGHEST_HEIGHT_MM: Final = Decimal(100_000)

_RFC3339: Final = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}:\d{2})(\.\d{1,12})?(Z|z|[+-]\d{2}:\d{2})?", re.ASCII
)
_FULL_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_UUID: Final = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII | re.IGNORECASE)
_CONFUSING_CATEGORIES: Final = frozenset({"Cc", "Cs"})
_LINE_BREAK: Final = re.compile("\\r\\n|[\\u2028\\u2029]")
_UNSEEN_CATEGORIES: Final = frozenset({"Cf", "Zs"})
"""A text of nothing but these, zero-width spaces and joiners, looks like none."""
_DIRECTION_OVERRIDES: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


class StrictBoolean(serializers.BooleanField):
    """`true` or `false`, nothing that resembles them."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {"not_a_boolean": _("Must be true or false.")}

    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            self.fail("not_a_boolean")
        return data


class StrictInteger(serializers.IntegerField):
    """A whole JSON number; 120.0 is one, 120.5, "120" and true are not."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_number": _("Must be a JSON number without quotation marks."),
        "fraction": _("Must be a whole number; this one has a fraction."),
        "min_value": _("Must be at least {min_value}."),
        "max_value": _("Must be at most {max_value}."),
    }

    def __init__(self, *, min_value: int = INT32_MIN, max_value: int = INT32_MAX, **kwargs: Any) -> None:
        super().__init__(min_value=min_value, max_value=max_value, **kwargs)

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int | float | Decimal):
            self.fail("not_a_number")
        try:
            whole = int(data)
        except (OverflowError, ValueError):
            self.fail("not_a_number")
        if whole != data:
            self.fail("fraction")
        return whole


class SetPoint(StrictInteger):
    """A set-point in counts: what a control unit stores, a signed 32-bit whole number."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "min_value": _("A set-point is at least {min_value} (signed 32-bit)."),
        "max_value": _("A set-point is at most {max_value} (signed 32-bit)."),
    }

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(min_value=INT32_MIN, max_value=INT32_MAX, **kwargs)


class StrictDecimal(serializers.Field[Decimal, Any, float, Any]):
    """A JSON number kept to `places` decimals (rounded half to even), within closed or open limits."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_number": _("Must be a JSON number without quotation marks."),
        "too_small": _("Must be at least {limit}."),
        "not_above": _("Must be greater than {limit}."),
        "too_large": _("Must be at most {limit}."),
    }

    def __init__(
        self,
        *,
        places: int = 3,
        minimum: Decimal | int | None = None,
        above: Decimal | int | None = None,
        maximum: Decimal | int = 1_000_000_000,
        **kwargs: Any,
    ) -> None:
        self.quantum = Decimal(1).scaleb(-places)
        self.minimum = -Decimal(maximum) if minimum is None else Decimal(minimum)
        self.above = above
        self.maximum = Decimal(maximum)
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> Decimal:
        value = self._number(data)
        if value < self.minimum:
            self.fail("too_small", limit=self.minimum)
        if value > self.maximum:
            self.fail("too_large", limit=self.maximum)
        rounded = value.quantize(self.quantum, ROUND_HALF_EVEN)
        if self.above is not None and rounded <= self.above:
            self.fail("not_above", limit=self.above)
        return rounded + 0  # no zero with a sign

    def to_representation(self, value: Decimal) -> float:
        return float(value)

    def _number(self, data: Any) -> Decimal:
        if isinstance(data, bool) or not isinstance(data, int | float | Decimal):
            self.fail("not_a_number")
        try:
            value = Decimal(str(data))
        except (InvalidOperation, ValueError):
            self.fail("not_a_number")
        if not value.is_finite():
            self.fail("not_a_number")
        return value


class HeightMm(StrictDecimal):
    """A height in millimetres, to the micrometre, above zero.

    Whether it fits the instrument and the target is for the service to say; here only what no vehicle
    can have is refused.
    """

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_number": _("A height must be a JSON number in millimetres, without quotation marks."),
        "not_above": _("A height must be greater than 0 mm."),
        "too_large": _("A height must be at most {limit} mm."),
    }

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(places=3, above=0, maximum=HIGHEST_HEIGHT_MM, **kwargs)


class AwareDateTime(serializers.Field[datetime, Any, str, Any]):
    """An instant after RFC 3339, offset required; kept in UTC, to the microsecond."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_time": _("Must be a time like 2026-05-04T09:30:00+02:00 (RFC 3339)."),
        "offset_required": _("The time needs its offset from UTC, for example 2026-05-04T09:30:00+02:00 or …Z."),
        "no_such_time": _("There is no such time. Check day, hour, minute and offset."),
        "year_out_of_range": _("The year must be from {first} to {last}."),
    }

    def to_internal_value(self, data: Any) -> datetime:
        match = _RFC3339.fullmatch(data) if isinstance(data, str) else None
        if match is None:
            self.fail("not_a_time")
        day, clock, fraction, offset = match.groups()
        if offset is None:
            self.fail("offset_required")
        if not FIRST_YEAR <= int(day[:4]) <= LAST_YEAR:
            self.fail("year_out_of_range", first=FIRST_YEAR, last=LAST_YEAR)
        microseconds = (fraction or "")[:7]
        try:
            instant = datetime.fromisoformat(
                f"{day}T{clock}{microseconds.ljust(7, '0') if fraction else ''}{offset.upper()}"
            )
        except ValueError:
            self.fail("no_such_time")
        return instant.astimezone(UTC)

    def to_representation(self, value: datetime) -> str:
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")


class PlainDate(serializers.DateField):
    """A calendar date after RFC 3339, within the years that records can have."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_date": _("Must be a date like 2026-05-04."),
        "no_such_date": _("There is no such date."),
        "year_out_of_range": _("The year must be from {first} to {last}."),
    }

    def to_internal_value(self, data: Any) -> date:
        if not isinstance(data, str) or not _FULL_DATE.fullmatch(data):
            self.fail("not_a_date")
        if not FIRST_YEAR <= int(data[:4]) <= LAST_YEAR:
            self.fail("year_out_of_range", first=FIRST_YEAR, last=LAST_YEAR)
        try:
            return date.fromisoformat(data)
        except ValueError:
            self.fail("no_such_date")


class ClientId(serializers.UUIDField):
    """A UUIDv7 (RFC 9562) made by the client: the record's id and its idempotency key."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_uuid": _("Must be a UUID in its written form: 8-4-4-4-12 hexadecimal digits."),
        "not_uuid7": _(
            "Must be a UUID of version 7 (RFC 9562); this one is of another version or variant. "
            "Make the id anew, or leave it out."
        ),
    }

    def to_internal_value(self, data: Any) -> uuid.UUID:
        if not isinstance(data, str) or not _UUID.fullmatch(data):
            self.fail("not_a_uuid")
        value = uuid.UUID(data)
        if value.version != 7:
            self.fail(self.not_version_7())
        return value

    def not_version_7(self) -> str:
        """The code for a UUID that no record can have."""
        return "not_uuid7"


class TrimmedText(serializers.Field[str, Any, str, Any]):
    """Text without surrounding space, control characters and marks that reverse the reading direction.

    The last could make a certificate read otherwise than it was signed. `lines` allows line breaks.
    """

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_text": _("Must be text."),
        "blank": _("Must not be empty."),
        "max_length": _("Must have at most {max_length} characters."),
        "control_character": _("Must not hold control characters or marks that change the reading direction."),
    }

    def __init__(self, *, max_length: int, allow_blank: bool = False, lines: bool = False, **kwargs: Any) -> None:
        self.max_length = max_length
        self.allow_blank = allow_blank
        self.allowed_controls = frozenset("\n\t") if lines else frozenset()
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("not_text")
        text = _LINE_BREAK.sub("\n", data).strip()
        if all(map(_is_unseen, text)):
            text = ""
        if not text and not self.allow_blank:
            self.fail("blank")
        if len(text) > self.max_length:
            self.fail("max_length", max_length=self.max_length)
        if any(self._is_confusing(character) for character in text):
            self.fail("control_character")
        return text

    def to_representation(self, value: str) -> str:
        return value

    def _is_confusing(self, character: str) -> bool:
        if character in self.allowed_controls:
            return False
        return character in _DIRECTION_OVERRIDES or unicodedata.category(character) in _CONFUSING_CATEGORIES


class VinField(serializers.Field[str, Any, str, Any]):
    """A VIN in whatever case and spacing; kept in its written form."""

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {"not_text": _("A VIN must be text of 17 characters.")}

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("not_text")
        try:
            return parse_vin(data).value
        except Invalid as error:
            raise _as_validation_error(error) from None

    def to_representation(self, value: str) -> str:
        return value


class TyreSizeField(serializers.Field[str, Any, str, Any]):
    """A tyre size designation in whatever case and spacing; kept in its written form.

    With `size_alone` a load index and speed symbol behind it are read and left off.
    """

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_text": _("A tyre size must be text, for example 255/60R18.")
    }

    def __init__(self, *, size_alone: bool = False, **kwargs: Any) -> None:
        self.size_alone = size_alone
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> Any:
        size = self.parsed(data)
        return size.size_alone if self.size_alone else size.designation

    def parsed(self, data: Any) -> TyreSize:
        if not isinstance(data, str):
            self.fail("not_text")
        try:
            return parse_tyre_size(data)
        except Invalid as error:
            raise _as_validation_error(error) from None

    def to_representation(self, value: str) -> str:
        return value


def _is_unseen(character: str) -> bool:
    return unicodedata.category(character) in _UNSEEN_CATEGORIES and character not in _DIRECTION_OVERRIDES


def _as_validation_error(error: Invalid) -> ValidationError:
    return ValidationError([ErrorDetail(str(e.detail), e.code) for e in error.errors])


class CornerMap(serializers.Field[dict[str, Any], Any, dict[str, Any], Any]):
    """One value for each corner, in the order FL, FR, RL, RR.

    `corners` are the corners it may have; `complete` says that it must have them all.
    """

    default_error_messages: ClassVar[dict[str, StrOrPromise]] = {
        "not_a_corner_map": _("Must be an object with a member for each corner: {corners}."),
        "unknown_corner": _("There is no such corner here; allowed: {corners}."),
        "corner_missing": _("A value for this corner is missing."),
        "empty": _("Must have a value for at least one corner: {corners}."),
    }

    def __init__(
        self,
        child: serializers.Field[Any, Any, Any, Any],
        *,
        corners: Sequence[str] = CORNERS,
        complete: bool = True,
        **kwargs: Any,
    ) -> None:
        self.child = child
        self.corners = tuple(corner for corner in CORNERS if corner in corners)
        self.complete = complete
        super().__init__(**kwargs)
        self.child.bind(field_name="", parent=self)  # type: ignore[arg-type]

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        listed = ", ".join(self.corners)
        if not isinstance(data, Mapping):
            self.fail("not_a_corner_map", corners=listed)
        if not data and not self.complete:
            self.fail("empty", corners=listed)
        errors = {
            str(name): [self._error("unknown_corner", corners=listed)] for name in data if name not in self.corners
        }
        values: dict[str, Any] = {}
        for corner in self.corners:
            if corner in data:
                self._read(corner, data[corner], values, errors)
            elif self.complete:
                errors[corner] = [self._error("corner_missing")]
        if errors:
            raise ValidationError(errors)
        return values

    def to_representation(self, value: Mapping[str, Any]) -> dict[str, Any]:
        return {corner: self._shown(value[corner]) for corner in CORNERS if corner in value}

    def _read(self, corner: str, item: Any, values: dict[str, Any], errors: dict[str, Any]) -> None:
        try:
            values[corner] = self.child.run_validation(item)
        except ValidationError as error:
            errors[corner] = error.detail

    def _shown(self, item: Any) -> Any:
        return None if item is None else self.child.to_representation(item)

    def _error(self, code: str, **values: Any) -> ErrorDetail:
        return ErrorDetail(str(self.error_messages[code]).format(**values), code)

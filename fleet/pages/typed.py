"""Numbers and days as people type them: decimal comma or point, spaces between the thousands, a real minus."""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.formats import get_format
from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import ValidationError as BodyError

from fleet.api.fields import FIRST_YEAR, LAST_YEAR, AwareDateTime, TrimmedText
from fleet.specifications import AXLES

_SPACES: Final = re.compile(r"[\s\u00a0\u2009\u202f']")
_NUMBER: Final = re.compile(r"([+-]?)(\d{1,30})(?:([.,])(\d{1,30}))?", re.ASCII)
_GROUP: Final = 3
_OTHER_SIGN: Final = {".": ",", ",": "."}
"""What is customary between thousands, by the decimal sign. Pages print a space there, which any language reads."""
_AXLE_NAMES: Final = {"front": _("Front left with front right"), "rear": _("Rear left with rear right")}
NOT_A_WHOLE_NUMBER = _("Must be a whole number, in digits without a separator between the thousands.")
NOT_A_NUMBER = _("Must be a number, for example 486 or 0.9, without a separator between the thousands.")
CLOCKS_CHANGED = _(
    "At this time the clocks were changed in %(zone)s: it came twice or not at all. Write a time before or after that "
    "hour."
)
AMBIGUOUS = _(
    "%(typed)s can be read in two ways. Leave out the separator of the thousands, or the last zeros of a fraction."
)


def plain_number(typed: str, *, whole: bool = False, grouped: bool = False) -> str:
    """What was typed, as digits with a decimal point; `ValidationError` where it is no number or could be two.

    A separator before exactly three digits may stand between thousands. It is taken for that where it is the
    language's own and the number is `whole` or `grouped`, as those are that people write in groups. It is taken for
    a decimal one where it is the language's own and a fraction is possible, or where a lone zero precedes it.
    """
    bare = _SPACES.sub("", typed).replace("\u2212", "-")
    match = _NUMBER.fullmatch(_ungrouped(bare) if whole or grouped else bare)
    if match is None:
        raise ValidationError(NOT_A_WHOLE_NUMBER if whole else NOT_A_NUMBER, "not_a_number")
    sign, digits, separator, fraction = match.groups(default="")
    if len(fraction) == _GROUP and digits != "0" and len(digits) <= _GROUP:
        is_own = separator == get_format("DECIMAL_SEPARATOR")
        if whole or not is_own:
            raise ValidationError(AMBIGUOUS, "ambiguous", {"typed": typed.strip()})
    return f"{sign}{digits}.{fraction}" if fraction else sign + digits


def _ungrouped(digits: str) -> str:
    """Without what people of the language type between thousands, where every group of them is whole."""
    decimal = get_format("DECIMAL_SEPARATOR")
    thousands, decimal = re.escape(_OTHER_SIGN[decimal]), re.escape(decimal)
    is_grouped = re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}(?:{thousands}\d{{3}})+(?:{decimal}\d+)?", digits, re.ASCII)
    return re.sub(thousands, "", digits) if is_grouped else digits


class TypedDecimal(forms.DecimalField):
    """A decimal number; limits and places are for the body's own rules."""

    def __init__(self, *, grouped: bool = False, **options: Any) -> None:
        self.grouped = grouped
        super().__init__(localize=True, **options)

    def to_python(self, value: Any) -> Decimal | None:  # type: ignore[override]  # as Django's own field of the kind
        return None if value in self.empty_values else Decimal(plain_number(str(value), grouped=self.grouped))

    def has_changed(self, initial: Any, data: Any) -> bool:
        """What stands in a record as 0.1 is what was typed as 0.1."""
        return super().has_changed(Decimal(str(initial)) if isinstance(initial, float) else initial, data)


class TypedInteger(forms.IntegerField):
    """A whole number; limits are for the body's own rules."""

    def __init__(self, **options: Any) -> None:
        super().__init__(localize=True, **options)

    def to_python(self, value: Any) -> int | None:
        if value in self.empty_values:
            return None
        number = Decimal(plain_number(str(value), whole=True))
        if number != number.to_integral_value():
            raise ValidationError(_("Must be a whole number."), "fraction")
        return int(number)


class Day(forms.DateField):
    """A calendar day, typed or picked; browsers send it in one form whatever they show."""

    widget = forms.DateInput(attrs={"type": "date", "autocomplete": "off"}, format="%Y-%m-%d")

    def __init__(self, **options: Any) -> None:
        super().__init__(input_formats=["%Y-%m-%d"], **options)
        self.error_messages["invalid"] = _("Must be a day like 2026-05-04.")


class Moment(forms.DateTimeField):
    """A time of day on a day, in the zone of the workshop."""

    widget = forms.DateTimeInput(attrs={"type": "datetime-local", "autocomplete": "off"}, format="%Y-%m-%dT%H:%M")

    def __init__(self, **options: Any) -> None:
        super().__init__(input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"], **options)
        self.error_messages["invalid"] = _("Must be a time like 2026-05-04T09:30.")

    def to_python(self, value: Any) -> datetime | None:
        try:
            moment = super().to_python(value)
        except ValidationError as refusal:
            if refusal.code != "ambiguous_timezone":
                raise
            zone = timezone.get_current_timezone_name()
            raise ValidationError(CLOCKS_CHANGED, refusal.code, {"zone": zone}) from None
        if moment is not None and not FIRST_YEAR <= moment.year <= LAST_YEAR:  # in others zones have odd offsets
            outside = AwareDateTime.default_error_messages["year_out_of_range"]
            raise ValidationError(outside.format(first=FIRST_YEAR, last=LAST_YEAR), "year_out_of_range")
        return moment


class PlainText(forms.CharField):
    """Text by the rule of the interface's own: nothing in it that cannot be seen or turns the reading direction."""

    def __init__(self, *, max_length: int, **options: Any) -> None:
        super().__init__(max_length=max_length, **options)
        is_long = isinstance(self.widget, forms.Textarea)
        self.rule = TrimmedText(max_length=max_length, allow_blank=True, lines=is_long)

    def to_python(self, value: Any) -> str:
        try:
            return self.rule.to_internal_value(super().to_python(value) or "")
        except BodyError as refusal:
            details: Any = refusal.detail
            raise ValidationError([ValidationError(str(each), each.code) for each in details]) from None


class TextLines(forms.CharField):
    """A list, one item in a line."""

    widget = forms.Textarea(attrs={"rows": 3, "autocomplete": "off"})

    def prepare_value(self, value: Any) -> Any:
        return "\n".join(value) if isinstance(value, list | tuple) else value

    def clean(self, value: Any) -> Any:
        return [line.strip() for line in super().clean(value).splitlines() if line.strip()]


class Pairs(forms.MultipleChoiceField):
    """The two corners of an axle, together."""

    widget = forms.CheckboxSelectMultiple

    def __init__(self, **options: Any) -> None:
        offered = [(" ".join(corners), _AXLE_NAMES[axle]) for axle, corners in AXLES.items()]
        super().__init__(choices=offered, **options)

    def prepare_value(self, value: Any) -> Any:
        return [pair if isinstance(pair, str) else " ".join(pair) for pair in value or ()]

    def has_changed(self, initial: Any, data: Any) -> bool:
        return super().has_changed(self.prepare_value(initial), data)

    def clean(self, value: Any) -> Any:
        return [pair.split() for pair in super().clean(value)]

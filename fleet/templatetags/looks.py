"""The parts of the looks that need more than an include: `{% load looks %}`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django import forms, template
from django.forms.boundfield import BoundField
from django.template.loader import render_to_string
from django.utils.safestring import SafeString
from django.utils.translation import gettext_lazy

from ..looks.tolerance_bar import CORNER_NAMES, VERDICT_WORDS, ToleranceBar, verdict_key

register = template.Library()
SEVERITY_WORDS: Final = {
    "note": gettext_lazy("Note"),
    "review": gettext_lazy("To review"),
    "stop": gettext_lazy("Stop"),
}
LEVEL_REACH: Final = 100.0
UPRIGHT_REACH: Final = 60.0
MAY_BE_LEFT_OUT: Final = gettext_lazy("(may be left out)")
CHOICE_WIDGETS: Final = (forms.RadioSelect, forms.CheckboxSelectMultiple)


@register.inclusion_tag("looks/parts/field.html")
def field(bound: BoundField, unit: str = "") -> dict[str, Any]:
    """A form's field with label, hint, unit and error. Numbers are typed as text, so that a decimal comma can be:
    give their form fields `localize=True`."""
    is_number = isinstance(bound.field, forms.IntegerField)
    return {
        "field": bound,
        "unit": unit,
        "optional": _optional(bound),
        "is_number": is_number,
        "is_choice": isinstance(bound.field.widget, CHOICE_WIDGETS),
        "is_box": isinstance(bound.field.widget, forms.CheckboxInput),
        "control": "" if isinstance(bound.field.widget, CHOICE_WIDGETS) else _control(bound, unit, is_number=is_number),
        "describes": _described_by(bound, unit),
    }


def _optional(bound: BoundField) -> Any:
    """What stands behind the label of a field that a form lets pass empty; a form may know when it is needed."""
    if bound.field.required:
        return ""
    return getattr(bound.form, "when_needed", {}).get(bound.name, MAY_BE_LEFT_OUT)


def _control(bound: BoundField, unit: str, *, is_number: bool) -> SafeString:
    attrs: dict[str, str | bool] = {}
    if describes := _described_by(bound, unit):
        attrs["aria-describedby"] = describes
    if not is_number:
        return bound.as_widget(attrs=attrs)
    whole = not isinstance(bound.field, forms.DecimalField | forms.FloatField)
    widget = forms.TextInput(attrs=bound.field.widget.attrs)
    widget.is_localized = bound.field.localize
    attrs |= {"inputmode": "numeric" if whole else "decimal", "autocomplete": "off"}
    return bound.as_widget(widget=widget, attrs=attrs)


def _described_by(bound: BoundField, unit: str) -> str:
    parts = [("hint", bound.help_text), ("unit", unit), ("error", bound.errors)]
    return " ".join(f"{bound.auto_id}-{part}" for part, present in parts if present)


@register.inclusion_tag("looks/parts/error_summary.html")
def error_summary(*shown: forms.BaseForm) -> dict[str, Any]:
    """All errors of the page's forms, each a link to its field; nothing where there is none."""
    whole = [(None, message) for form in shown for message in form.non_field_errors()]
    single = [(bound, message) for form in shown for bound in form for message in bound.errors]
    return {"errors": [*whole, *single]}


@register.simple_block_tag
def notice(content: str, severity: str, heading: str = "", *, word: str = "") -> SafeString:
    """`{% notice "stop" "What is wrong" %}What to do.{% endnotice %}`; a word says the severity, too."""
    said = word or SEVERITY_WORDS[severity]
    values = {"severity": severity, "word": said, "heading": heading, "content": content}
    return render_to_string("looks/parts/notice.html", values)


@register.simple_block_tag
def confirm(content: str, label: str, *, dangerous: bool = False) -> SafeString:
    """`{% confirm "Write these …" %}what follows, and the button that does it{% endconfirm %}`: two presses."""
    return render_to_string("looks/parts/confirm.html", {"content": content, "label": label, "dangerous": dangerous})


@register.inclusion_tag("looks/parts/verdict.html")
def verdict(given: str | None) -> dict[str, Any]:
    """A verdict as mark and word."""
    return {"key": verdict_key(given), "word": VERDICT_WORDS[verdict_key(given)]}


@register.inclusion_tag("looks/parts/tolerance_bar.html")
def tolerance_bar(bar: ToleranceBar, *, upright: bool = False, with_table: bool = True) -> dict[str, Any]:
    """A bar with its words. Leave the table out only where one table stands behind several bars."""
    geometry = bar.geometry(UPRIGHT_REACH if upright else LEVEL_REACH)
    return {"bar": bar, "geometry": geometry, "upright": upright, "with_table": with_table}


@register.inclusion_tag("looks/parts/plan_bars.html")
def plan_bars(bars: dict[str, ToleranceBar]) -> dict[str, Any]:
    """Four corners' bars around the vehicle, with one table behind them."""
    corners = [(corner, bars[corner]) for corner in CORNER_NAMES if corner in bars]
    return {"corners": corners, "bars": [bar for _corner, bar in corners]}


@register.inclusion_tag("looks/parts/bars_table.html")
def bars_table(bars: Sequence[ToleranceBar]) -> dict[str, Any]:
    return {"bars": bars}

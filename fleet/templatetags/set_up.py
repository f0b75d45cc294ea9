"""Parts of the pages by which a workshop is set up: `{% load set_up %}`."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from django import template
from django.utils.formats import localize

from ..looks.lengths import UNIT_SIGNS, LengthUnit, length
from ..models import Workshop
from ..pages.workshop_page import Reader
from ..reach import is_mail_sent, is_of_this_machine_only

register = template.Library()


@register.inclusion_tag("fleet/setup/parts/column_head.html", takes_context=True)
def column_head(context: dict[str, Any], name: str, label: str) -> dict[str, Any]:
    """The head of a column that the list may be sorted by; pressed again it falls instead of rising."""
    sort: str = context["sort"]
    direction = {name: "ascending", f"-{name}": "descending"}.get(sort, "")
    asked = f"-{name}" if direction == "ascending" else name
    kept = {key: value for key, value in context["request"].GET.items() if key not in ("sort", "page")}
    return {"label": label, "direction": direction, "url": "?" + urlencode({**kept, "sort": asked})}


@register.inclusion_tag("fleet/parts/unreachable.html")
def unreachable(address: str, advice: str = "") -> dict[str, Any]:
    """`{% unreachable address _("What to do then.") %}`: a warning where other devices cannot open it, else nothing."""
    return {"address": address if is_of_this_machine_only(address) else "", "advice": advice}


@register.simple_tag
def mail_is_sent() -> bool:
    """`{% mail_is_sent as is_sent %}`: whether e-mails of the workshop leave this service."""
    return is_mail_sent() and not is_demo()


@register.simple_tag
def is_demo() -> bool:
    """`{% is_demo as demo %}`: whether the workshop was made by the demo loader; its addresses are invented."""
    return Workshop.objects.filter(is_demo=True).exists()


@register.simple_tag
def level(value_mm: float, reader: Reader) -> str:
    """How high a place lies, in the reader's unit."""
    unit: LengthUnit = reader.length_unit
    return f"{length(value_mm, unit, signed=True)}\u00a0{UNIT_SIGNS[unit]}"


@register.filter
def plain(value: Decimal) -> str:
    """A number as the language writes it, without zeros that say nothing."""
    return str(localize(value.normalize().quantize(1) if value == value.to_integral() else value.normalize()))

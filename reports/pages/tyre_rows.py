"""The tyres now fitted as the vehicle's page shows them: compared, drawn and explained."""

from __future__ import annotations

from typing import Any, Final

from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.metrology.corners import CORNERS, CORNERS_OF, Axle, Corner
from calibration.rules.notation import figure
from calibration.rules.tyre_texts import tyre_note_text
from calibration.selectors.tyre_comparison import ComparedTyres
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.tyres import sidewall_of

from ..drawing.svg import to_svg
from ..drawing.wheels import Wheel, describe, draw_wheels

_AXLE_NAMES: Final = {"front": gettext_lazy("Front axle"), "rear": gettext_lazy("Rear axle")}


def tyre_rows(found: ComparedTyres, unit: LengthUnit) -> dict[str, Any]:
    """Rows by corner and by axle, what is worth saying, and the wheels of the left side as a picture."""
    comparison = found.comparison
    return {
        "fitment": found.fitment,
        "reference": found.reference.designation if found.reference else "",
        "measured": found.measured,
        "rows": [_row(found, corner, unit) for corner in CORNERS],
        "loads": [
            (str(_AXLE_NAMES[axle]), load, figure(f"{load.utilisation_pct:.0f}"))
            for axle, load in comparison.axle_loads.items()
            if load
        ],
        "speed": [(figure(f"{each.true_km_h:.0f}"), figure(f"{each.shown_km_h:.1f}")) for each in comparison.speed],
        "overreading": figure(f"{comparison.overreading_needed_pct:.1f}") if comparison.overreading_needed_pct else "",
        "notes": [_noted(each.corner or each.axle, tyre_note_text(each)) for each in comparison.notes],
        "findings": [_noted(each["corner"], each["detail"]) for each in found.findings],
        "svg": _svg(found, unit),
    }


def _noted(place: str | None, text: str) -> tuple[str, str]:
    if place is None:
        return "", text
    return str(_AXLE_NAMES[place]) if place in _AXLE_NAMES else str(CORNER_NAMES[place]), text


def _row(found: ComparedTyres, corner: Corner, unit: LengthUnit) -> dict[str, Any]:
    compared, recorded = found.comparison.corners[corner], found.fitment.tyres[corner]
    difference, room = compared.difference, compared.arch_clearance_mm
    return {
        "name": CORNER_NAMES[corner],
        "tyre": recorded,
        "diameter": length(compared.overall_diameter_mm, unit),
        "hub": "" if difference is None else length(difference.radius_mm, unit, signed=True),
        "turn": "" if difference is None else _signed(difference.circumference_pct),
        "sidewall": sidewall_of(recorded),
        "room": "" if room is None else length(room, unit),
    }


def _signed(per_cent: float) -> str:
    shown = f"{per_cent:.1f}"
    return figure("+" + shown if float(shown) > 0 else shown.replace("-0.0", "0.0"))


def _svg(found: ComparedTyres, unit: LengthUnit) -> SafeString:
    wheels = (_wheel(found, "front"), _wheel(found, "rear"))
    title = _("Wheels of the left side, to scale")
    drawing = draw_wheels(wheels, unit)
    svg = to_svg(drawing, title=title, description=describe(wheels, unit), id_prefix="wheels")
    return mark_safe(svg)  # noqa: S308  (drawn here; what people typed is in text nodes, which the drawing escapes)


def _wheel(found: ComparedTyres, axle: Axle) -> Wheel:
    corner = CORNERS_OF[axle][0]
    height = found.measured.heights[corner].height_mm if found.measured and corner in found.measured.heights else None
    return Wheel(
        name=str(_AXLE_NAMES[axle]),
        size=found.fitment.tyres[corner]["size"],
        diameter_mm=found.comparison.corners[corner].overall_diameter_mm,
        reference_diameter_mm=found.reference.overall_diameter_mm if found.reference else None,
        height_mm=height,
    )

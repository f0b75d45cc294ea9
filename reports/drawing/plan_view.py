"""The vehicle from above with its four corner heights: how high, how certain, within tolerance or not.

At each corner a vertical bar shows the tolerance as a shaded band about its target, and the measured height
as a mark whose whisker is the expanded uncertainty. All four bars, and those of a second view drawn to the
same span, share one scale.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from django.utils.translation import gettext as _
from reportlab.graphics.shapes import Drawing, Group, Line, Path, Rect, String
from reportlab.lib.colors import Color
from reportlab.pdfbase.pdfmetrics import stringWidth

from calibration.metrology.corners import CORNERS, Corner

from . import palette
from .fonts import REGULAR, SEMIBOLD, printable, register_fonts
from .marks import bar_mark, whisker
from .quantities import LengthUnit, length, length_unit
from .words import corner_name, verdict_word

WIDTH: Final = 250.0
HEIGHT: Final = 178.0
LEAST_HEIGHT: Final = 124.0
"""Below it the words of front and rear would meet."""
_BODY_LEFT, _BODY_RIGHT, _BODY_BOTTOM = 91.0, 159.0, 4.0
_BAR_WIDTH = 9.0
_BAR_GAP = 13.0
_BETWEEN_BARS = 16.0
_ABOVE_BARS, _BELOW_BARS = 25.0, 9.0
_TEXT_WIDTH = 62.0
_BAND: dict[str, Any] = {"fillColor": palette.TOLERANCE, "strokeColor": palette.SOFT_INK, "strokeWidth": 0.4}
_TYRE: dict[str, Any] = {"fillColor": palette.INK, "strokeColor": palette.INK, "strokeWidth": 0.5}


@dataclass(frozen=True, slots=True)
class PlanViewCorner:
    """One corner in mm. Without a deviation the height is only written; `remark` replaces the verdict."""

    height_mm: float
    expanded_uncertainty_mm: float
    deviation_mm: float | None = None
    tolerance_mm: float | None = None
    verdict: str | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Where things stand in a drawing of some height. A lower one has a shorter vehicle, and type as large."""

    height: float

    @property
    def body_top(self) -> float:
        return self.height - 21.0

    @property
    def bar_height(self) -> float:
        return (self.height - _ABOVE_BARS - _BELOW_BARS - _BETWEEN_BARS) / 2

    def bar_y(self, corner: Corner) -> float:
        """The middle of the corner's bar, and of its wheel."""
        half = self.bar_height / 2
        return self.height - _ABOVE_BARS - half if corner.startswith("F") else _BELOW_BARS + half


@dataclass(frozen=True, slots=True)
class PlanView:
    title: str
    corners: dict[Corner, PlanViewCorner]
    unit: LengthUnit = "mm"


def span_mm(views: Iterable[PlanView]) -> float:
    """Half the height of the bars: wide enough for every mark, whisker and tolerance of the views."""
    reaches = [_reach_mm(corner) for view in views for corner in view.corners.values()]
    return 1.08 * max(reaches, default=1.0)


def _reach_mm(corner: PlanViewCorner) -> float:
    marked = abs(corner.deviation_mm or 0.0) + corner.expanded_uncertainty_mm
    return max(marked, 1.35 * (corner.tolerance_mm or 0.0))


def describe(view: PlanView) -> str:
    """The view in words, for those who do not see it."""
    parts = [
        f"{corner_name(corner)} {_height(view, corner)}, {_verdict(view.corners[corner])}"
        for corner in CORNERS
        if corner in view.corners
    ]
    return f"{view.title}: " + "; ".join(parts) + "."


def draw_plan_view(view: PlanView, *, span: float | None = None, height: float = HEIGHT) -> Drawing:
    """The view as a drawing of `WIDTH` by `height` points; give views side by side one `span` (mm)."""
    register_fonts()
    sheet = _Sheet(height)
    drawing = Drawing(WIDTH, height)
    drawing.add(_centred_text(view.title, height - 11, 10.5))
    drawing.add(_vehicle(sheet))
    half = span or span_mm([view])
    for corner in CORNERS:
        if corner in view.corners:
            drawing.add(_corner(sheet, view, corner, half))
    return drawing


def _centred_text(text: str, y: float, size: float) -> String:
    fitted = _fitted(printable(text), SEMIBOLD, size, WIDTH)
    return String(
        WIDTH / 2,
        y,
        fitted[0],
        fontName=SEMIBOLD,
        fontSize=fitted[1],
        textAnchor="middle",
        fillColor=palette.INK,
    )


def _fitted(text: str, font: str, size: float, width: float) -> tuple[str, float]:
    """The text and the size at which it fits the width; never smaller than five points."""
    natural = stringWidth(text, font, size)
    return text, size if natural <= width else max(5.0, size * width / natural)


def _corner(sheet: _Sheet, view: PlanView, corner: Corner, half_mm: float) -> Group:
    group = Group(_panel(sheet, view, corner))
    if view.corners[corner].deviation_mm is not None:
        group.add(_bar(sheet, view.corners[corner], corner, half_mm))
    return group


def _bar_x(corner: Corner) -> float:
    """The bar's centre line, beside the wheel."""
    return _BODY_LEFT - _BAR_GAP if corner.endswith("L") else _BODY_RIGHT + _BAR_GAP


def _bar(sheet: _Sheet, mark: PlanViewCorner, corner: Corner, half_mm: float) -> Group:
    x, y, half = _bar_x(corner), sheet.bar_y(corner), sheet.bar_height / 2
    scale = half / half_mm
    group = Group(Line(x, y - half, x, y + half, strokeColor=palette.RULE, strokeWidth=0.6))
    if mark.tolerance_mm:
        group.add(_tolerance_band(x, y, mark.tolerance_mm * scale))
    group.add(Line(x - 7, y, x + 7, y, strokeColor=palette.SOFT_INK, strokeWidth=0.7))
    centre = y + (mark.deviation_mm or 0.0) * scale
    group.add(whisker(x, centre, mark.expanded_uncertainty_mm * scale))
    group.add(bar_mark(x, centre, palette.verdict_look(mark.verdict)))
    return group


def _tolerance_band(x: float, y: float, half_height: float) -> Rect:
    return Rect(x - _BAR_WIDTH / 2, y - half_height, _BAR_WIDTH, 2 * half_height, **_BAND)


def _panel(sheet: _Sheet, view: PlanView, corner: Corner) -> Group:
    """The corner's words and figures, set towards its bar."""
    shown = view.corners[corner]
    look = palette.verdict_look(shown.verdict)
    y = sheet.bar_y(corner)
    return Group(
        _panel_line(corner, corner_name(corner), y + 22, REGULAR, 7.5, palette.SOFT_INK),
        _panel_line(corner, _height(view, corner), y + 7, SEMIBOLD, 12.5, palette.INK),
        _panel_line(corner, _deviation(view, shown), y - 5, REGULAR, 8, palette.INK),
        _panel_line(corner, _verdict(shown), y - 18, SEMIBOLD, 8.5, look.colour),
    )


def _panel_line(corner: Corner, text: str, y: float, font: str, size: float, colour: Color) -> String:
    left = corner.endswith("L")
    x = _bar_x(corner) + (-10 if left else 10)
    fitted, fitted_size = _fitted(printable(text), font, size, _TEXT_WIDTH)
    anchor: Literal["end", "start"] = "end" if left else "start"
    return String(x, y, fitted, fontName=font, fontSize=fitted_size, textAnchor=anchor, fillColor=colour)


def _height(view: PlanView, corner: Corner) -> str:
    return f"{length(view.corners[corner].height_mm, view.unit)} {length_unit(view.unit)}"


def _deviation(view: PlanView, shown: PlanViewCorner) -> str:
    """Deviation and uncertainty; the uncertainty alone where nothing says what the height should be."""
    uncertainty = length(shown.expanded_uncertainty_mm, view.unit)
    if shown.deviation_mm is None:
        return f"± {uncertainty}"
    return f"{length(shown.deviation_mm, view.unit, signed=True)} ± {uncertainty}"


def _verdict(shown: PlanViewCorner) -> str:
    return shown.remark or verdict_word(shown.verdict)


def _vehicle(sheet: _Sheet) -> Group:
    """A body seen from above, front at the top, with the wheels that the corners are named after."""
    group = Group()
    for corner in CORNERS:
        group.add(_wheel(sheet, corner))
    group.add(_body(sheet.body_top))
    group.add(_glass(sheet.body_top - 45, 9, 3))
    group.add(_glass(_BODY_BOTTOM + 17, 7, -2))
    middle = (_BODY_LEFT + _BODY_RIGHT) / 2
    group.add(_label(_("Front"), middle, sheet.body_top - 24))
    return group


def _label(text: str, x: float, y: float) -> String:
    return String(
        x, y, printable(text), fontName=REGULAR, fontSize=7.5, textAnchor="middle", fillColor=palette.SOFT_INK
    )


def _wheel(sheet: _Sheet, corner: Corner) -> Rect:
    x = _BODY_LEFT - 3.5 if corner.endswith("L") else _BODY_RIGHT - 6.5
    return Rect(x, sheet.bar_y(corner) - 13, 10, 26, 3, 3, **_TYRE)


def _body(top: float) -> Path:
    left, right, bottom = _BODY_LEFT, _BODY_RIGHT, _BODY_BOTTOM
    path = Path(fillColor=palette.WHITE, strokeColor=palette.INK, strokeWidth=1.1)
    path.moveTo(left, bottom + 12)
    path.lineTo(left, top - 30)
    path.curveTo(left, top - 8, left + 12, top, (left + right) / 2, top)
    path.curveTo(right - 12, top, right, top - 8, right, top - 30)
    path.lineTo(right, bottom + 12)
    path.curveTo(right, bottom + 3, right - 6, bottom, right - 14, bottom)
    path.lineTo(left + 14, bottom)
    path.curveTo(left + 6, bottom, left, bottom + 3, left, bottom + 12)
    path.closePath()
    return path


def _glass(y: float, depth: float, bow: float) -> Path:
    """A pane across the body, bowed towards the nearer end."""
    left, right = _BODY_LEFT + 8, _BODY_RIGHT - 8
    path = Path(fillColor=palette.TINT, strokeColor=palette.SOFT_INK, strokeWidth=0.6)
    path.moveTo(left, y)
    path.curveTo(left + 15, y + bow, right - 15, y + bow, right, y)
    path.lineTo(right - 4, y - depth)
    path.curveTo(right - 18, y - depth + bow, left + 18, y - depth + bow, left + 4, y - depth)
    path.closePath()
    return path

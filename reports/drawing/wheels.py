"""The wheels of one side, to scale: the tyre fitted, the reference tyre behind it as a dashed ring, and the wheel arch.

Both stand on the same ground, so that it shows how much higher the hub comes to stand; the arch stays as far above the
hub as it was measured, whatever tyre is fitted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from django.utils.translation import gettext as _
from reportlab.graphics.shapes import Circle, Drawing, Group, Line, PolyLine, Shape, String
from reportlab.pdfbase.pdfmetrics import stringWidth

from fleet.looks.lengths import LengthUnit, length

from . import palette
from .fonts import REGULAR, SEMIBOLD, printable, register_fonts
from .quantities import length_unit

WIDTH: Final = 340.0
HEIGHT: Final = 190.0
_GROUND: Final = 34.0
_ARCH_TOP: Final = 168.0
_TEXT: Final = 9.0
_ARCH_HALF_ANGLE: Final = math.radians(52)
_DASHES: Final = (3, 2)


@dataclass(frozen=True, slots=True)
class Wheel:
    """One wheel; lengths in mm. Without a reference tyre or a height that part is left out."""

    name: str
    size: str
    diameter_mm: float
    reference_diameter_mm: float | None = None
    height_mm: float | None = None

    @property
    def top_mm(self) -> float:
        """The highest point drawn, above the ground."""
        above_hub = max(self.diameter_mm / 2, self.height_mm or 0.0)
        return max(self.diameter_mm / 2 + above_hub, self.reference_diameter_mm or 0.0)

    @property
    def room_mm(self) -> float | None:
        return None if self.height_mm is None else self.height_mm - self.diameter_mm / 2


def describe(wheels: Iterable[Wheel], unit: LengthUnit) -> str:
    """The drawing in words, for those who do not see it."""
    return " ".join(" ".join([f"{each.name}: {each.size}.", *_sentences(each, unit)]) for each in wheels)


def _sentences(wheel: Wheel, unit: LengthUnit) -> Iterable[str]:
    if wheel.reference_diameter_mm is not None:
        rise = (wheel.diameter_mm - wheel.reference_diameter_mm) / 2
        text = _("The hub stands %(rise)s %(unit)s higher than on the reference tyre.")
        yield text % {"rise": length(rise, unit, signed=True), "unit": length_unit(unit)}
    if wheel.room_mm is not None:
        text = _("%(room)s %(unit)s are left between tyre and arch.")
        yield text % {"room": length(wheel.room_mm, unit), "unit": length_unit(unit)}


def draw_wheels(wheels: tuple[Wheel, Wheel], unit: LengthUnit) -> Drawing:
    """Front and rear wheel on one ground and to one scale, `WIDTH` by `HEIGHT` points."""
    register_fonts()
    drawing = Drawing(WIDTH, HEIGHT)
    scale = (_ARCH_TOP - _GROUND) / max(each.top_mm for each in wheels)
    drawing.add(_line(12, _GROUND, WIDTH - 12, _GROUND))
    for wheel, middle in zip(wheels, (WIDTH * 0.27, WIDTH * 0.73), strict=True):
        drawing.add(_wheel(wheel, middle, scale, unit))
    return drawing


def _wheel(wheel: Wheel, x: float, scale: float, unit: LengthUnit) -> Group:
    radius = wheel.diameter_mm / 2 * scale
    hub = _GROUND + radius
    group = Group(*_arch(wheel, x, hub, scale))
    group.add(Circle(x, hub, radius, fillColor=palette.TINT, strokeColor=palette.INK, strokeWidth=1.4))
    if wheel.reference_diameter_mm is not None:
        group.add(_reference(x, wheel.reference_diameter_mm / 2 * scale))
    group.add(Circle(x, hub, 2.2, fillColor=palette.INK, strokeColor=palette.INK))
    group.add(_text(wheel.name, x, 184 - _TEXT, SEMIBOLD))
    group.add(_text(wheel.size, x, 20.0))
    group.add(_text(_room(wheel, unit), x, 8.0))
    return group


def _reference(x: float, radius: float) -> Circle:
    dashed: dict[str, Any] = {"strokeDashArray": _DASHES, "strokeColor": palette.BLUE, "strokeWidth": 1.2}
    return Circle(x, _GROUND + radius, radius, fillColor=None, **dashed)


def _arch(wheel: Wheel, x: float, hub: float, scale: float) -> Iterable[Shape]:
    """The edge of the arch above the hub, as far away as it was measured."""
    if wheel.height_mm is None:
        return
    reach = wheel.height_mm * scale
    angles = [_ARCH_HALF_ANGLE * (step / 12 - 1) for step in range(25)]
    points = [each for angle in angles for each in (x + reach * math.sin(angle), hub + reach * math.cos(angle))]
    yield PolyLine(points, strokeColor=palette.SOFT_INK, strokeWidth=2.2)


def _room(wheel: Wheel, unit: LengthUnit) -> str:
    if wheel.room_mm is None:
        return _("not measured in a job yet")
    return _("%(room)s %(unit)s to the arch") % {"room": length(wheel.room_mm, unit), "unit": length_unit(unit)}


def _text(words: str, x: float, y: float, font: str = REGULAR) -> String:
    text = printable(words)
    start = x - stringWidth(text, font, _TEXT) / 2
    return String(start, y, text, fontName=font, fontSize=_TEXT, fillColor=palette.INK)


def _line(x1: float, y1: float, x2: float, y2: float) -> Line:
    return Line(x1, y1, x2, y2, strokeColor=palette.INK, strokeWidth=1.0)

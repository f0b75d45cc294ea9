"""The mark of a measured height and the whisker of its uncertainty."""

from __future__ import annotations

from typing import Any

from reportlab.graphics.shapes import Circle, Group, Line, Polygon, Rect, Shape

from . import palette

_RADIUS = 3.1
_CAP = 3.4


def whisker(x: float, y: float, half_height: float) -> Group:
    """A vertical line over the interval half_height below and above y, with end caps."""
    low, high = y - half_height, y + half_height
    return Group(*(_stroke(*ends) for ends in _whisker_ends(x, low, high)))


def _whisker_ends(x: float, low: float, high: float) -> tuple[tuple[float, float, float, float], ...]:
    return ((x, low, x, high), (x - _CAP, low, x + _CAP, low), (x - _CAP, high, x + _CAP, high))


def _stroke(x1: float, y1: float, x2: float, y2: float) -> Line:
    return Line(x1, y1, x2, y2, strokeColor=palette.INK, strokeWidth=1.0)


def bar_mark(x: float, y: float, look: palette.VerdictLook) -> Shape:
    """Disc, diamond or ring, rimmed in white so that it stands out from its whisker."""
    if look.shape == "diamond":
        reach = _RADIUS * 1.35
        points = [x, y + reach, x + reach, y, x, y - reach, x - reach, y]
        return Polygon(points, fillColor=look.colour, strokeColor=palette.WHITE, strokeWidth=0.6)
    if look.shape == "ring":
        return Circle(x, y, _RADIUS, fillColor=palette.WHITE, strokeColor=look.colour, strokeWidth=1.4)
    return Circle(x, y, _RADIUS + 0.3, fillColor=look.colour, strokeColor=palette.WHITE, strokeWidth=0.6)


def check_frame(x: float, y: float) -> Rect:
    """What tells a height check from a round: a square around the mark."""
    reach = _RADIUS * 1.9
    frame: dict[str, Any] = {"fillColor": None, "strokeColor": palette.SOFT_INK, "strokeWidth": 0.9}
    return Rect(x - reach, y - reach, 2 * reach, 2 * reach, **frame)


def cross_mark(x: float, y: float) -> Group:
    """A height that is shown only: measured under another load."""
    ends = ((-_RADIUS, -_RADIUS, _RADIUS, _RADIUS), (-_RADIUS, _RADIUS, _RADIUS, -_RADIUS))
    lines = [
        Line(x + x1, y + y1, x + x2, y + y2, strokeColor=palette.SOFT_INK, strokeWidth=1.4) for x1, y1, x2, y2 in ends
    ]
    return Group(*lines)

"""The heights of one corner over time: target and tolerance, uncertainty, and the set-points stored then.

Rounds stand side by side in their order, jobs apart from each other: within a job a round follows the last one by
minutes, and the next job by months, so that a scale of time would hide what each write did. Below the heights the
set-points run as steps on a lane of their own, each labelled where it changed. Height checks between two jobs are one
group of their own, each in a frame, or a cross where it was measured under another load.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any, Final, Literal

from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from reportlab.graphics.shapes import Drawing, Group, Line, PolyLine, Rect, String
from reportlab.pdfbase.pdfmetrics import stringWidth

from fleet.looks.lengths import LengthUnit, length

from . import palette
from .fonts import REGULAR, SEMIBOLD, printable, register_fonts
from .marks import bar_mark, check_frame, cross_mark, whisker
from .quantities import counts, length_unit
from .words import verdict_word

WIDTH: Final = 340.0
HEIGHT: Final = 208.0
_LEFT, _RIGHT, _BOTTOM, _TOP = 42.0, 334.0, 62.0, 188.0
_LANE_BOTTOM, _LANE_TOP = 34.0, 52.0
_COLUMN_LEAST, _COLUMN_MOST = 13.0, 48.0
_GROUP_LEAST, _GAP = 44.0, 6.0
_TEXT: Final = 8.5
_BAND: dict[str, Any] = {"fillColor": palette.TOLERANCE, "strokeColor": None}
_DASHES: Final = (3, 2)
_MM_PER_INCH: Final = 25.4
_TICK_STEPS: Final = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)
_MOST_TICKS: Final = 6
_MARGIN: Final = 1.16
_LEAST_REACH_MM: Final = 2.0


PointKind = Literal["round", "check", "other_load"]


@dataclass(frozen=True, slots=True)
class HeightPoint:
    """One corner in one round or height check, mm; `job` and `day` are printed below, `job` says "checks" of those.

    What nothing judged has no target.
    """

    job: str
    day: str
    height_mm: float
    expanded_uncertainty_mm: float | None = None
    target_mm: float | None = None
    tolerance_mm: float | None = None
    verdict: str | None = None
    setpoint: int | None = None
    kind: PointKind = "round"

    @property
    def extent_mm(self) -> tuple[float, ...]:
        """Everything that is drawn of it."""
        uncertainty = self.expanded_uncertainty_mm or 0.0
        drawn = (self.height_mm - uncertainty, self.height_mm + uncertainty)
        if self.target_mm is None:
            return drawn
        tolerance = self.tolerance_mm or 0.0
        return (*drawn, self.target_mm - tolerance, self.target_mm + tolerance)


@dataclass(frozen=True, slots=True)
class HeightChart:
    """`points` in their order, oldest first."""

    title: str
    points: tuple[HeightPoint, ...]
    unit: LengthUnit = "mm"


@dataclass(frozen=True, slots=True)
class _Column:
    """Where a point stands: its middle and half its width."""

    point: HeightPoint
    x: float
    half: float


@dataclass(frozen=True, slots=True)
class _Scale:
    """Heights in mm to places on the sheet."""

    low_mm: float
    high_mm: float

    def y(self, height_mm: float) -> float:
        return _BOTTOM + (_TOP - _BOTTOM) * (height_mm - self.low_mm) / (self.high_mm - self.low_mm)


def shown_points(points: Sequence[HeightPoint]) -> tuple[HeightPoint, ...]:
    """The newest that there is room for, in whole jobs where the newest job leaves any."""
    room, shown = _RIGHT - _LEFT, list[HeightPoint]()
    for group in reversed(_groups(points)):
        fitting = group[-int((_RIGHT - _LEFT - _GAP) // _COLUMN_LEAST) :] if not shown else group
        room -= _group_width(len(fitting), _COLUMN_LEAST)
        if room < 0:
            break
        shown[:0] = fitting
    return tuple(shown)


def describe(chart: HeightChart) -> str:
    """The chart in words, for those who do not see it."""
    points = shown_points(chart.points)
    if not points:
        return _("Nothing was measured here yet.")
    first, last = points[0], points[-1]
    text = ngettext(
        "%(count)s measurement, on %(until)s. It found %(now)s %(unit)s: %(verdict)s.",
        "%(count)s measurements from %(since)s to %(until)s. The first found %(then)s %(unit)s, the last %(now)s "
        "%(unit)s: %(verdict)s.",
        len(points),
    ) % {
        "count": len(points),
        "since": first.day,
        "until": last.day,
        "then": length(first.height_mm, chart.unit),
        "now": length(last.height_mm, chart.unit),
        "unit": length_unit(chart.unit),
        "verdict": verdict_word(last.verdict),
    }
    return " ".join(
        [text, *_checks_in_words(points), *_target_in_words(last, chart.unit), *_setpoints_in_words(points)]
    )


def _checks_in_words(points: Iterable[HeightPoint]) -> list[str]:
    checks = sum(point.kind != "round" for point in points)
    text = ngettext(
        "%(count)s of them is a height check outside a job.",
        "%(count)s of them are height checks outside a job.",
        checks,
    )
    return [text % {"count": checks}] if checks else []


def _target_in_words(point: HeightPoint, unit: LengthUnit) -> list[str]:
    if point.target_mm is None:
        return []
    text = _("The target is %(target)s ± %(tolerance)s %(unit)s.")
    values = {"target": length(point.target_mm, unit), "tolerance": length(point.tolerance_mm or 0.0, unit)}
    return [text % {**values, "unit": length_unit(unit)}]


def _setpoints_in_words(points: Iterable[HeightPoint]) -> list[str]:
    stored = [point.setpoint for point in points if point.setpoint is not None]
    steps = [counts(count) for count, _same in groupby(stored)]
    return [_("Set-points: %(steps)s.") % {"steps": " → ".join(steps)}] if steps else []


def span_mm(charts: Iterable[HeightChart]) -> float:
    """How many mm the tallest of the charts reaches over: with it equal lengths mean equal heights in all of them."""
    return max((_reach_mm(shown_points(chart.points)) for chart in charts), default=_LEAST_REACH_MM)


def draw_height_chart(chart: HeightChart, *, span: float | None = None) -> Drawing:
    """The chart as a drawing of `WIDTH` by `HEIGHT` points; give charts side by side one `span` (mm).

    Without a point it says that there is none.
    """
    register_fonts()
    drawing = Drawing(WIDTH, HEIGHT)
    drawing.add(_text(f"{chart.title}, {length_unit(chart.unit)}", 2, HEIGHT - 12, SEMIBOLD, 10.5, palette.INK))
    columns = _columns(shown_points(chart.points))
    if not columns:
        drawing.add(_text(describe(chart), _LEFT, (_BOTTOM + _TOP) / 2, REGULAR, _TEXT, palette.SOFT_INK))
        return drawing
    shown = [column.point for column in columns]
    scale = _scale(shown, span or _reach_mm(shown))
    parts = (_grid(scale, chart.unit), _tolerances(columns, scale), _jobs(columns), _lane(columns))
    for part in (*parts, *(_measured(column, scale) for column in columns)):
        drawing.add(part)
    return drawing


def _text(text: str, x: float, y: float, font: str, size: float, colour: Any, anchor: Any = "start") -> String:
    shown = printable(text)
    return String(x, y, shown, fontName=font, fontSize=size, fillColor=colour, textAnchor=anchor)


# --- where things stand -------------------------------------------------------------------------------
def _groups(points: Iterable[HeightPoint]) -> list[list[HeightPoint]]:
    return [list(group) for _job, group in groupby(points, key=lambda point: point.job)]


def _group_width(count: int, column: float) -> float:
    return max(count * column, _GROUP_LEAST) + _GAP


def _columns(points: Sequence[HeightPoint]) -> list[_Column]:
    groups = _groups(points)
    width = _column_width([len(group) for group in groups])
    columns, left = list[_Column](), _LEFT
    for group in groups:
        whole = _group_width(len(group), width)
        start = left + (whole - len(group) * width) / 2
        columns += [_Column(point, start + (place + 0.5) * width, width / 2) for place, point in enumerate(group)]
        left += whole
    return columns


def _column_width(sizes: Sequence[int]) -> float:
    """The widest with which all jobs find room."""
    width = _COLUMN_MOST
    while width > _COLUMN_LEAST and sum(_group_width(size, width) for size in sizes) > _RIGHT - _LEFT:
        width -= 0.5
    return width


def _scale(points: Sequence[HeightPoint], span: float) -> _Scale:
    """All that is drawn of the points, in the middle of the span."""
    reached = [height for point in points for height in point.extent_mm]
    middle = (min(reached) + max(reached)) / 2
    return _Scale(middle - span / 2, middle + span / 2)


def _reach_mm(points: Iterable[HeightPoint]) -> float:
    reached = [height for point in points for height in point.extent_mm]
    return max(_MARGIN * (max(reached) - min(reached)), _LEAST_REACH_MM) if reached else _LEAST_REACH_MM


# --- what is drawn ------------------------------------------------------------------------------------
def _grid(scale: _Scale, unit: LengthUnit) -> Group:
    """Ruled as a level book: a fine line for each step of the scale, with its figure."""
    group = Group(Line(_LEFT, _BOTTOM, _LEFT, _TOP, strokeColor=palette.SOFT_INK, strokeWidth=0.7))
    for height_mm in _ticks_mm(scale, unit):
        y = scale.y(height_mm)
        group.add(Line(_LEFT, y, _RIGHT, y, strokeColor=palette.RULE, strokeWidth=0.4))
        figure = length(height_mm, unit).removesuffix(".0").removesuffix(",0")
        group.add(_text(figure, _LEFT - 5, y - 3, REGULAR, _TEXT, palette.SOFT_INK, "end"))
    return group


def _ticks_mm(scale: _Scale, unit: LengthUnit) -> list[float]:
    per_unit = _MM_PER_INCH if unit == "inch" else 1.0
    low, high = scale.low_mm / per_unit, scale.high_mm / per_unit
    step = next((step for step in _TICK_STEPS if (high - low) / step <= _MOST_TICKS), _TICK_STEPS[-1])
    return [per_unit * step * number for number in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _tolerances(columns: Sequence[_Column], scale: _Scale) -> Group:
    """The tolerance as a shaded band about the target, in one piece over the rounds of a job that share it."""
    group = Group()
    for _shared, own in groupby(
        columns, key=lambda each: (each.point.job, each.point.target_mm, each.point.tolerance_mm)
    ):
        columns_of_it = list(own)
        first, last = columns_of_it[0], columns_of_it[-1]
        target_mm, tolerance_mm = first.point.target_mm, first.point.tolerance_mm
        if target_mm is not None and tolerance_mm is not None:
            heights = [scale.y(target_mm + offset) for offset in (-tolerance_mm, 0.0, tolerance_mm)]
            group.add(_band(first.x - first.half, last.x + last.half, *heights))
    return group


def _band(left: float, right: float, low: float, target: float, high: float) -> Group:
    group = Group(Rect(left, low, right - left, high - low, **_BAND))
    for y in (low, target, high):
        line = Line(left, y, right, y, strokeColor=palette.SOFT_INK, strokeWidth=0.8)
        if y == target:
            line.strokeDashArray = _DASHES
        group.add(line)
    return group


def _measured(column: _Column, scale: _Scale) -> Group:
    point, group = column.point, Group()
    y = scale.y(point.height_mm)
    if point.expanded_uncertainty_mm:
        group.add(whisker(column.x, y, scale.y(point.height_mm + point.expanded_uncertainty_mm) - y))
    if point.kind == "other_load":
        group.add(cross_mark(column.x, y))
        return group
    if point.kind == "check":
        group.add(check_frame(column.x, y))
    group.add(bar_mark(column.x, y, palette.verdict_look(point.verdict)))
    return group


def _jobs(columns: Sequence[_Column]) -> Group:
    """Number and day of each job beneath its rounds, and a line between one job and the next."""
    group = Group()
    by_job = [list(each) for _job, each in groupby(columns, key=lambda column: column.point.job)]
    for own in by_job:
        middle = (own[0].x + own[-1].x) / 2
        room = max(2 * own[0].half * len(own), _GROUP_LEAST)
        for text, y in ((own[0].point.job, 16.0), (_days(own), 5.0)):
            group.add(_text(text, middle, y, REGULAR, _narrowed(text, room), palette.SOFT_INK, "middle"))
    for before, after in pairwise(by_job):
        x = (before[-1].x + before[-1].half + after[0].x - after[0].half) / 2
        group.add(Line(x, 4, x, _TOP, strokeColor=palette.RULE, strokeWidth=0.6))
    return group


def _days(own: Sequence[_Column]) -> str:
    """The day of a job, or the first and the last one of the checks between two jobs."""
    first, last = own[0].point, own[-1].point
    return first.day if first.kind == "round" or first.day == last.day else f"{first.day} – {last.day}"


def _narrowed(text: str, room: float) -> float:
    """The size at which a label keeps to the width of its job."""
    return min(_TEXT, _TEXT * room / stringWidth(printable(text), REGULAR, _TEXT))


def _lane(columns: Sequence[_Column]) -> Group:
    """Set-points as steps, each labelled where it differs from the one before."""
    known = [(column, column.point.setpoint) for column in columns if column.point.setpoint is not None]
    stored = [count for _column, count in known]
    if not stored:
        return Group()
    low, span = min(stored), (max(stored) - min(stored)) or 1
    group, before = Group(), None
    for _job, own in groupby(known, key=lambda each: each[0].point.job):
        points = list[float]()
        for column, count in own:
            y = _LANE_BOTTOM + (_LANE_TOP - _LANE_BOTTOM - 9) * (count - low) / span
            points += [column.x - column.half, y, column.x + column.half, y]
            if count != before:
                group.add(_text(counts(count), column.x, y + 2.5, SEMIBOLD, 7.5, palette.INK, "middle"))
            before = count
        group.add(PolyLine(points, strokeColor=palette.INK, strokeWidth=1.1))
    return group

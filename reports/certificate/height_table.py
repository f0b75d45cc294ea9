"""Heights as found and as left, side differences and set-points as numbers."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable, Paragraph, Spacer

from calibration.metrology.corners import AXLES, CORNERS, Axle, Corner
from reports.drawing import palette
from reports.drawing.quantities import MINUS
from reports.drawing.words import axle_name, corner_name, verdict_word

from . import styles
from .conclusion import measured_states
from .display import DASH, Display
from .document import CornerResult, Document, HeightState, SideResult

State = tuple[str, HeightState]
"""A measurement and the name it is shown under."""

_NAME, _TARGET, _SETPOINT = 70.0, 58.0, 74.0
_SHARES = (0.27, 0.22, 0.19, 0.32)
"""Of a state's columns: height, deviation, uncertainty, verdict."""


def height_table(document: Document, width: float) -> list[Flowable]:
    states = measured_states(document)
    if not states:
        return _setpoints_only(document)
    rows = [_corner_row(document, states, corner) for corner in CORNERS]
    rows += [_side_row(document, states, axle) for axle in AXLES]
    state = (width - _NAME - _TARGET - _SETPOINT) / len(states)
    widths = [_NAME, _TARGET, *(share * state for share in _SHARES * len(states)), _SETPOINT]
    table = styles.ruled_table(_head(document, states), rows, widths, *_group_looks(len(states)))
    notes = " ".join(_notes(document, states))
    return [table, styles.paragraph(notes, styles.SOFT)] if notes else [table]


def _head(document: Document, states: list[State]) -> list[list[styles.Cell]]:
    """Group heads above, column heads below; figures stand under right-aligned heads."""
    unit = Display.of(document).length_unit_name
    over: list[styles.Cell] = [_("in %(unit)s") % {"unit": unit}, _("Target")]
    under: list[styles.Cell] = ["", _("± tolerance")]
    figures = (_("Height"), _("Off by"), "± U")
    for title, _state in states:
        over += [styles.markup(title), "", "", ""]
        under += [*(styles.paragraph(name, styles.HEAD_RIGHT) for name in figures), _("Verdict")]
    left = _("found → left") if document.kind == "certificate" else _("found → last read")
    return [[*over, _("Set-point")], [*under, left]]


def _group_looks(groups: int) -> list[styles.TableCommand]:
    """Each group is spanned by its head; the last one and the side differences are set off."""
    starts = [2 + 4 * group for group in range(groups)]
    looks: list[styles.TableCommand] = [("SPAN", (start, 0), (start + 3, 0)) for start in starts]
    sides = 2 + len(CORNERS)
    return [
        *looks,
        ("BACKGROUND", (starts[-1], 0), (starts[-1] + 3, -1), palette.TINT),
        ("LINEABOVE", (0, sides), (-1, sides), 0.7, palette.SOFT_INK),
    ]


def _corner_row(document: Document, states: list[State], corner: Corner) -> list[styles.Cell]:
    display = Display.of(document)
    results = [state.corners.get(corner) for _title, state in states]
    cells = [cell for result in results for cell in _corner_cells(result, display)]
    return [
        styles.bold(corner_name(corner)),
        styles.markup(_corner_target(states, corner, display)),
        *cells,
        styles.markup(_setpoints(document, corner, display)),
    ]


def _corner_target(states: list[State], corner: Corner, display: Display) -> str:
    """The target that the last verdict went by, and below an earlier one's where a concession changed it."""
    results = [result for _title, state in states if (result := state.corners.get(corner)) is not None]
    targets = dict.fromkeys(
        f"{display.length(result.target_mm)} {display.plus_minus(result.tolerance_mm)}"
        for result in results
        if result.target_mm is not None
    )
    return "\n".join(targets) or DASH


def _corner_cells(result: CornerResult | None, display: Display) -> list[styles.Cell]:
    if result is None:
        return [_figure(DASH), "", "", ""]
    mark = (" †" if result.overtaken_by else "") + ("" if result.adjustable else " *")
    return [
        _figure(display.length(result.mean_mm)),
        _figure(display.length(result.deviation_mm, signed=True)),
        _figure(display.plus_minus(result.expanded_uncertainty_mm)),
        _verdict(result.verdict, mark),
    ]


def _figure(text: str) -> Paragraph:
    return styles.paragraph(text, styles.CELL_RIGHT)


def _verdict(verdict: str | None, mark: str = "") -> Paragraph:
    look = palette.verdict_look(verdict)
    return Paragraph(f"<b>{styles.coloured(verdict_word(verdict) + mark, look.colour)}</b>", styles.CELL)


def _setpoints(document: Document, corner: Corner, display: Display) -> str:
    summary = document.setpoints.get(corner)
    if summary is None:
        return _("not controlled") if document.setpoints else DASH
    if summary.as_found == summary.as_left:
        return _("%(counts)s, unchanged") % {"counts": display.counts(summary.as_left)}
    return f"{display.counts(summary.as_found)} → {display.counts(summary.as_left)}"


def _side_row(document: Document, states: list[State], axle: Axle) -> list[styles.Cell]:
    display = Display.of(document)
    sides = [state.sides.get(axle) for _title, state in states]
    limit = next((side.limit_mm for side in sides if side is not None and side.limit_mm is not None), None)
    return [
        styles.markup(_("%(axle)s, left %(minus)s right") % {"axle": axle_name(axle), "minus": MINUS}),
        DASH if limit is None else styles.markup(display.plus_minus(limit)),
        *(cell for side in sides for cell in _side_cells(side, display)),
        "",
    ]


def _side_cells(side: SideResult | None, display: Display) -> list[styles.Cell]:
    if side is None:
        return [_figure(DASH), "", "", ""]
    return [
        "",
        _figure(display.length(side.difference_mm, signed=True)),
        _figure(display.plus_minus(side.expanded_uncertainty_mm)),
        _verdict(side.verdict, "" if side.adjustable else " *"),
    ]


def _notes(document: Document, states: list[State]) -> list[str]:
    """What the marks mean, and words that a reader may not know."""
    text = _(
        "† %(corner)s, as found, was measured before this work: %(work)s. "
        "Heights before and after it are not comparable."
    )
    notes = [
        text % {"corner": corner_name(corner), "work": result.overtaken_by}
        for _title, state in states
        for corner in CORNERS
        if (result := state.corners.get(corner)) is not None and result.overtaken_by
    ]
    if any(_has_unadjustable(state) for _title, state in states):
        notes.append(_("* No set-point can change this value here; it is judged and shown all the same."))
    if any("\n" in _corner_target(states, corner, Display.of(document)) for corner in CORNERS):
        notes.append(_("Two targets: the specification's as found, and the concession's for the last measurement."))
    if document.setpoints:
        notes.append(_("Set-point: the number that the vehicle's control unit stores for a corner."))
    return notes


def _has_unadjustable(state: HeightState) -> bool:
    results = [result.adjustable for result in state.corners.values()]
    return not all(results + [side.adjustable for side in state.sides.values()])


def _setpoints_only(document: Document) -> list[Flowable]:
    """A job that ended before any round may still know the counts last read."""
    display = Display.of(document)
    pairs = [f"{corner_name(c)} {_setpoints(document, c, display)}" for c in CORNERS if c in document.setpoints]
    if not pairs:
        return []
    text = _("Set-points, found → last read: %(pairs)s.") % {"pairs": "; ".join(pairs)}
    return [Spacer(0, 4), styles.paragraph(text)]

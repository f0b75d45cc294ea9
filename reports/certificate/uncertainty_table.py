"""What the uncertainty of the last measurement is made of, and the attitude of the body."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable, Paragraph, Spacer

from calibration.metrology.corners import CORNERS
from reports.drawing.quantities import rounded
from reports.drawing.words import corner_name

from . import styles, texts
from .conclusion import last_state, measured_states
from .display import DASH, Display
from .document import Document, HeightState


def uncertainty_budget(document: Document, width: float) -> list[Flowable]:
    """Standard uncertainties of the last measurement by component, then the combined figures."""
    state = last_state(document)
    if state is None:
        return []
    unit = Display.of(document).length_unit_name
    head: list[styles.Cell] = [_("Uncertainty of the last measurement, in %(unit)s") % {"unit": unit}]
    head += [styles.paragraph(corner_name(corner), styles.HEAD_RIGHT) for corner in CORNERS]
    column = (width - 200.0) / 4
    rows = [*_component_rows(state, document), *_summary_rows(state, document)]
    table = styles.ruled_table([head], rows, [200.0, *[column] * 4], *styles.CLOSE)
    return [Spacer(0, 3), table, *_attitude(document, width)]


def _attitude(document: Document, width: float) -> list[Flowable]:
    """The attitude of the body, for those who look for its cause, with what each part of it tells."""
    states = [(title, state.modes) for title, state in measured_states(document) if state.modes is not None]
    if not states:
        return []
    display = Display.of(document)
    unit = display.length_unit_name
    head: list[styles.Cell] = [_("Attitude of the body, in %(unit)s") % {"unit": unit}, _("What it tells")]
    head += [styles.paragraph(title, styles.HEAD_RIGHT) for title, _modes in states]
    rows: list[list[styles.Cell]] = [
        [
            _name(str(name)),
            _name(str(meaning)),
            *(_right(display.length(getattr(modes, field), signed=True)) for _title, modes in states),
        ]
        for field, name, meaning in texts.ATTITUDE
    ]
    figure = 88.0
    widths = [110.0, width - 110.0 - figure * len(states), *[figure] * len(states)]
    return [Spacer(0, 5), styles.ruled_table([head], rows, widths, *styles.CLOSE)]


def _component_rows(state: HeightState, document: Document) -> list[list[styles.Cell]]:
    names = dict.fromkeys(line.component for result in state.corners.values() for line in result.budget)
    return [[_name(texts.wording(texts.COMPONENTS, name)), *_component_cells(state, name, document)] for name in names]


def _component_cells(state: HeightState, name: str, document: Document) -> list[styles.Cell]:
    cells: list[styles.Cell] = []
    for corner in CORNERS:
        lines = state.corners[corner].budget if corner in state.corners else ()
        found = [line.standard_uncertainty_mm for line in lines if line.component == name]
        cells.append(_right(_fine(found[0], document) if found else DASH))
    return cells


def _fine(value_mm: float, document: Document) -> str:
    """One more decimal than heights, as the components are smaller."""
    return rounded(value_mm, 2) if document.units.length == "mm" else rounded(value_mm / 25.4, 3)


def _right(text: str) -> Paragraph:
    return styles.paragraph(text, styles.SMALL_RIGHT)


def _summary_rows(state: HeightState, document: Document) -> list[list[styles.Cell]]:
    results = [state.corners.get(corner) for corner in CORNERS]
    combined = [_fine(r.standard_uncertainty_mm, document) if r else DASH for r in results]
    factors = [_factor(r.coverage_factor, r.degrees_of_freedom) if r else DASH for r in results]
    expanded = [Display.of(document).length(r.expanded_uncertainty_mm) if r else DASH for r in results]
    counted = [f"{r.readings} / {r.rounds}{_median(r.estimator)}" if r else DASH for r in results]
    rows = [
        (_("Combined standard uncertainty"), combined),
        (_("Coverage factor k (degrees of freedom)"), factors),
        (_("Expanded uncertainty U"), expanded),
        (_("Readings / rounds pooled"), counted),
    ]
    if any(r is not None and r.conformance_probability is not None for r in results):
        chances = [_percent(r.conformance_probability) if r else DASH for r in results]
        rows.append((_("Probability of being within tolerance"), chances))
    return [[_name(name), *map(_right, values)] for name, values in rows]


def _name(text: str) -> Paragraph:
    return styles.paragraph(text, styles.SMALL)


def _factor(coverage_factor: float, degrees_of_freedom: float | None) -> str:
    dof = "∞" if degrees_of_freedom is None else rounded(degrees_of_freedom, 0)
    return f"{rounded(coverage_factor, 2)} ({dof})"


def _median(estimator: str) -> str:
    return f" {_('median')}" if estimator == "median" else ""


def _percent(probability: float | None) -> str:
    """Never a rounded 0 or 100 per cent: a measurement is never certain."""
    if probability is None:
        return DASH
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{rounded(100 * probability, 1)} %"

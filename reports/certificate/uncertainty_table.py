"""What the uncertainty of the last measurement is made of, and the attitude of the body."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable, Paragraph, Spacer

from calibration.metrology.corners import CORNERS, Corner
from reports.drawing.quantities import rounded
from reports.drawing.words import corner_name

from . import styles, texts
from .conclusion import last_state, measured_states
from .display import DASH, Display
from .document import Document, HeightState

_ATTITUDE_SHARES = (0.16, 0.17, 0.2, 0.2, 0.27)
"""Of the columns: the measurement, heave, pitch, roll, warp."""


def uncertainty_budget(document: Document, width: float) -> list[Flowable]:
    """Standard uncertainties of the last measurement by component, then the combined figures; a row for a corner."""
    state = last_state(document)
    if state is None:
        return []
    unit = Display.of(document).length_unit_name
    columns: list[list[Paragraph]] = [
        [
            styles.paragraph(_("Uncertainty of the last measurement, in %(unit)s") % {"unit": unit}, styles.HEAD),
            *(_name(corner_name(corner)) for corner in CORNERS),
        ],
        *(_column(name, figures) for name, figures in _figures(state, document)),
    ]
    head, *rows = [list(row) for row in zip(*columns, strict=True)]
    table = styles.small_table([head], rows, styles.widths_for(columns, width), ("VALIGN", (0, 0), (-1, 0), "BOTTOM"))
    return [Spacer(0, 2), table, *_attitude(document, width)]


def _column(name: str, figures: list[str]) -> list[Paragraph]:
    return [styles.paragraph(name, styles.HEAD_RIGHT), *map(_right, figures)]


def _attitude(document: Document, width: float) -> list[Flowable]:
    """The attitude of the body, for those who look for its cause, with what each part of it tells."""
    states = [(title, state.modes) for title, state in measured_states(document) if state.modes is not None]
    if not states:
        return []
    display = Display.of(document)
    head = [_("Attitude of the body, in %(unit)s") % {"unit": display.length_unit_name}]
    head += [
        _("%(part)s: %(meaning)s") % {"part": name, "meaning": meaning} for _field, name, meaning in texts.ATTITUDE
    ]
    rows = [
        [title, *(display.length(getattr(modes, field), signed=True) for field, _part, _meaning in texts.ATTITUDE)]
        for title, modes in states
    ]
    widths = [width * share for share in _ATTITUDE_SHARES]
    table = styles.small_table(
        [list(map(styles.markup, head))], [list(map(styles.markup, row)) for row in rows], widths
    )
    return [Spacer(0, 4), table]


def _figures(state: HeightState, document: Document) -> list[tuple[str, list[str]]]:
    """Name and figures of each column, the corners in order."""
    return [*_component_figures(state, document), *_summary_figures(state, document)]


def _component_figures(state: HeightState, document: Document) -> list[tuple[str, list[str]]]:
    names = dict.fromkeys(line.component for result in state.corners.values() for line in result.budget)
    return [
        (texts.wording(texts.COMPONENTS, name), [_component(state, corner, name, document) for corner in CORNERS])
        for name in names
    ]


def _component(state: HeightState, corner: Corner, name: str, document: Document) -> str:
    lines = state.corners[corner].budget if corner in state.corners else ()
    found = [line.standard_uncertainty_mm for line in lines if line.component == name]
    return _fine(found[0], document) if found else DASH


def _summary_figures(state: HeightState, document: Document) -> list[tuple[str, list[str]]]:
    results = [state.corners.get(corner) for corner in CORNERS]
    columns = [
        (
            _("Combined standard uncertainty"),
            [_fine(r.standard_uncertainty_mm, document) if r else DASH for r in results],
        ),
        (
            _("Factor k (degrees of freedom)"),
            [_factor(r.coverage_factor, r.degrees_of_freedom) if r else DASH for r in results],
        ),
        (
            _("Expanded uncertainty U"),
            [Display.of(document).length(r.expanded_uncertainty_mm) if r else DASH for r in results],
        ),
        (
            _("Readings / rounds pooled"),
            [f"{r.readings} / {r.rounds}{_median(r.estimator)}" if r else DASH for r in results],
        ),
    ]
    if any(r is not None and r.conformance_probability is not None for r in results):
        chances = [_percent(r.conformance_probability) if r else DASH for r in results]
        columns.append((_("Probability of being within tolerance"), chances))
    return columns


def _fine(value_mm: float, document: Document) -> str:
    """One more decimal than heights, as the components are smaller."""
    return rounded(value_mm, 2) if document.units.length == "mm" else rounded(value_mm / 25.4, 3)


def _right(text: str) -> Paragraph:
    """A figure, never broken."""
    return styles.paragraph(text.replace(" ", "\N{NO-BREAK SPACE}"), styles.SMALL_RIGHT)


def _name(text: str) -> Paragraph:
    return styles.paragraph(text, styles.SMALL)


def _factor(coverage_factor: float, degrees_of_freedom: float | None) -> str:
    dof = "∞" if degrees_of_freedom is None else rounded(degrees_of_freedom, 0)
    return f"{rounded(coverage_factor, 2)} ({dof})"


def _median(estimator: str) -> str:
    return " " + _("median") if estimator == "median" else ""


def _percent(probability: float | None) -> str:
    """Never a rounded 0 or 100 per cent: a measurement is never certain."""
    if probability is None:
        return DASH
    if probability > 0.999:
        return f"> {rounded(99.9, 1)} %"
    return f"< {rounded(0.1, 1)} %" if probability < 0.001 else f"{rounded(100 * probability, 1)} %"

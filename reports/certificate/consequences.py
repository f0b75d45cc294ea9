"""What the change of heights does to the vehicle: figures of its body as found and as left, never a verdict."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable, Paragraph

from reports.drawing.quantities import rounded

from . import styles, texts
from .display import Display
from .document import BeforeAfter, Consequences, Document

_DIGITS = {"headlamp_inclination_pct": 2, "static_stability_factor": 3}
_DEGREE_DIGITS = 1


def consequences(document: Document) -> list[Flowable]:
    """A paragraph to stand below the attitude of the body, which the other changes are read from."""
    found = document.consequences
    if found is None:
        return []
    told = "; ".join([_headlamps(found), *_figures(found, Display.of(document))])
    return [Paragraph(f"{styles.bold(_title(document))}: {styles.markup(told)}.", styles.SMALL)]


def _title(document: Document) -> str:
    if document.kind == "certificate":
        return _("What the change of heights does, as found → as left (body taken as stiff)")
    return _("What the change of heights does, as found → last measured (body taken as stiff)")


def _figures(found: Consequences, display: Display) -> list[str]:
    known = ((name, word, getattr(found, name)) for name, word in texts.FIGURES_ABOVE_GROUND.items())
    return [f"{word} {_from_to(name, figure, display)}" for name, word, figure in known if figure is not None]


def _from_to(name: str, figure: BeforeAfter, display: Display) -> str:
    if name.endswith("_mm"):
        return f"{display.length(figure.before)} → {display.length_with_unit(figure.after)}"
    digits = _DIGITS.get(name, _DEGREE_DIGITS)
    sign = "°" if name.endswith("_deg") else " %" if name.endswith("_pct") else ""
    return f"{rounded(figure.before, digits)} → {rounded(figure.after, digits)}{sign}"


def _headlamps(found: Consequences) -> str:
    """What is allowed is for local rules to say."""
    change = f"{rounded(found.headlamp_inclination_change_pct, 2, signed=True)} %"
    beam = found.headlamp_inclination_pct
    if beam is None:
        return _("headlamp beams %(change)s (+ upwards; check local rules)") % {"change": change}
    text = _("headlamp beams %(change)s (+ upwards; check local rules), %(figures)s if aimed as specified before")
    return text % {"change": change, "figures": f"{rounded(beam.before, 2)} → {rounded(beam.after, 2)} %"}

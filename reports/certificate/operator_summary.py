"""The summary of an operator's vehicles as a PDF: what its pages look like, by the same type as certificates."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from django.utils import translation
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from reportlab.platypus import Flowable, Paragraph, Spacer

from fleet.looks import dates
from reports.drawing import palette
from reports.drawing.fonts import register_fonts
from reports.drawing.words import corner_name, verdict_word

from ..alert_words import rate_in_words
from ..selectors.operator_summary import Line
from ..selectors.standing import Known
from ..standing_words import known_word, outstanding
from . import styles
from .display import DASH, Display, zone_name
from .document import Party, Units
from .layout import MARGIN, PAGE_SIZES, PageSize, Sheet, build_sheets, pdf_date

_SHARES: Final = (0.11, 0.15, 0.15, 0.09, 0.18, 0.13, 0.19)
"""Of the width, column by column."""


@dataclass(frozen=True, slots=True)
class OperatorSummary:
    """What the pages say. `made_at` is in the workshop's time."""

    workshop: Party
    operator: Party
    made_at: datetime
    lines: Sequence[Line]
    units: Units
    language: str


def summary_pdf(summary: OperatorSummary, *, page_size: PageSize) -> bytes:
    """Equal arguments give equal bytes. Nobody signs it: it is a copy of what the records say at a time."""
    # Web processes draw few of them; most never do.
    from .unsigned import archived

    register_fonts()
    height, width = PAGE_SIZES[page_size]
    with translation.override(summary.language):
        sheet = _sheet(summary, (width, height))
        built = build_sheets(sheet, _story(summary, width - 2 * MARGIN))
    return archived(built.pdf, made_at=pdf_date(summary.made_at))


def _sheet(summary: OperatorSummary, size: tuple[float, float]) -> Sheet:
    title = _("Vehicles of %(operator)s") % {"operator": summary.operator.name}
    made = dates.day_and_time(summary.made_at)
    zone = zone_name(summary.made_at)
    return Sheet(
        title=title,
        author=summary.workshop.name,
        subject=_("Ride heights, next checks and drift"),
        language=summary.language,
        foot=f"{title} · {made} {zone}",
        made_at=summary.made_at,
        size=size,
    )


def _story(summary: OperatorSummary, width: float) -> list[Flowable]:
    return [
        _head(summary, width),
        Spacer(0, 6),
        styles.paragraph(_counted(summary.lines), styles.HEADLINE),
        Spacer(0, 4),
        *_table(summary, width),
        *_to_be_done(summary),
        styles.paragraph(
            _(
                "What is known to be outside tolerance, to be measured now, stopped or not completed stands first, "
                "then what is due. How it stands: verdict of the last measurement, and the corner that takes most of "
                "its tolerance, as its distance from target with the expanded uncertainty (about 95 %). Drift: the "
                "corner that is expected to leave its tolerance first, of those that are known to move. This is a "
                "copy of what the records said at the time in the foot line; it is no certificate."
            ),
            styles.SOFT,
        ),
    ]


def _head(summary: OperatorSummary, width: float) -> Flowable:
    titles: list[Flowable] = [
        styles.Heading(_("Summary of vehicles"), styles.TITLE, 0),
        styles.paragraph(summary.operator.name, styles.SUBTITLE),
        styles.paragraph(dates.day(summary.made_at), styles.LEAD),
    ]
    workshop = summary.workshop
    contact = " · ".join(way for way in (workshop.telephone, workshop.email) if way)
    lines = [styles.bold(workshop.name), *map(styles.markup, (*workshop.address, contact))]
    named = Paragraph("<br/>".join(line for line in lines if line), styles.SMALL_RIGHT)
    return styles.plain_table(
        [[titles, [named]]],
        [width * 0.6, width * 0.4],
        ("LINEBELOW", (0, 0), (-1, -1), 1.6, palette.INK),
        ("LEFTPADDING", (0, 0), (0, 0), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
    )


def _counted(lines: Sequence[Line]) -> str:
    """How many there are, and how many need something, in a sentence."""
    text = ngettext("%(count)s vehicle", "%(count)s vehicles", len(lines)) % {"count": len(lines)}
    kinds = Counter(line.standing.known for line in lines)
    outside, measure = kinds[Known.OUTSIDE], kinds[Known.MEASURE]
    undone = kinds.total() - kinds[None] - outside - measure
    overdue = sum(line.stage == "overdue" for line in lines)
    due = sum(line.stage == "due" for line in lines)
    parts = [
        ngettext("%(count)s outside tolerance", "%(count)s outside tolerance", outside) % {"count": outside},
        ngettext("%(count)s to be measured now", "%(count)s to be measured now", measure) % {"count": measure},
        ngettext("%(count)s stopped or not completed", "%(count)s stopped or not completed", undone)
        % {"count": undone},
        ngettext("%(count)s check overdue", "%(count)s checks overdue", overdue) % {"count": overdue},
        ngettext("%(count)s check due within two weeks", "%(count)s checks due within two weeks", due) % {"count": due},
    ]
    return f"{text}: {', '.join(parts)}"


def _table(summary: OperatorSummary, width: float) -> list[Flowable]:
    if not summary.lines:
        return [styles.paragraph(_("This operator runs no vehicle now."), styles.BODY)]
    head = [
        [
            _("Registration"),
            _("VIN"),
            _("Vehicle"),
            _("Last measured"),
            _("How it stands"),
            _("Next check"),
            _("Drift"),
        ]
    ]
    display = Display(summary.units, summary.made_at.tzinfo)
    rows = [_row(line, display) for line in summary.lines]
    return [styles.ruled_table(head, rows, [width * share for share in _SHARES])]


def _row(line: Line, display: Display) -> list[styles.Cell]:
    return [
        styles.bold(line.registration or DASH),
        styles.markup(line.vin),
        styles.markup(line.model),
        styles.markup(display.day(line.last_on)),
        _stands(line, display),
        _next_check(line),
        styles.markup(drift_words(line, display)),
    ]


def _stands(line: Line, display: Display) -> str:
    """Last verdict and worst corner; what is known to be wrong before it."""
    standing = line.standing
    look = palette.verdict_look(standing.verdict)
    verdict = f"<b>{styles.coloured(verdict_word(standing.verdict), look.colour)}</b>"
    last = " ".join(filter(None, [verdict, styles.markup(worst_words(line, display))]))
    known = [styles.bold(known_word(standing.known).upper())] if standing.known else []
    return "<br/>".join([*known, last])


def _to_be_done(summary: OperatorSummary) -> list[Flowable]:
    """Below the table, whose rows are never split: it is text of any length."""
    zone = summary.made_at.tzinfo or UTC
    told = [(line, outstanding(line.standing, summary.units.length, zone)) for line in summary.lines]
    entries = [
        styles.bullet_markup(f"{styles.bold(line.registration or line.vin)}: {styles.markup(' '.join(sentences))}")
        for line, sentences in told
        if sentences
    ]
    head = [Spacer(0, 6), styles.paragraph(_("What is not done"), styles.HEADLINE)] if entries else []
    return [*head, *entries, *([Spacer(0, 4)] if entries else [])]


def worst_words(line: Line, display: Display) -> str:
    if line.worst is None:
        return ""
    off = display.length(line.worst.deviation_mm, signed=True)
    uncertainty = display.plus_minus(line.worst.expanded_uncertainty_mm)
    return f"{corner_name(line.worst.corner)} {off} {uncertainty} {display.length_unit}"


def _next_check(line: Line) -> str:
    text = styles.markup(due_words(line))
    return f"<b>{text}</b>" if line.stage else text


def due_words(line: Line) -> str:
    if line.due_on is None:
        return DASH
    text = dates.day(line.due_on)
    if line.due_at_km is not None:
        km = number_format(round(line.due_at_km), force_grouping=True)
        text = _("at %(km)s km, about %(day)s") % {"km": km, "day": text}
    if not line.stage:
        return text
    return (_("OVERDUE: %(when)s") if line.stage == "overdue" else _("soon: %(when)s")) % {"when": text}


def drift_words(line: Line, display: Display) -> str:
    drift = line.drift
    if line.last_on is None:
        return DASH
    if drift is None or drift.rate_mm_per_year is None:
        return _("not known to move")
    values = {
        "corner": corner_name(drift.corner),
        "rate": rate_in_words(drift.rate_mm_per_year, display.units.length),
    }
    if drift.is_outside:
        return _("%(corner)s %(rate)s, outside tolerance") % values
    if drift.is_likely_outside:
        return _("%(corner)s %(rate)s, perhaps outside tolerance already") % values
    if drift.expected_outside_on is None:
        return _("%(corner)s %(rate)s") % values
    text = _("%(corner)s %(rate)s, outside tolerance about %(day)s")
    if line.drift_has_passed:
        text = _("%(corner)s %(rate)s, forecast to have left tolerance by %(day)s: measure it now")
    return text % {**values, "day": dates.day(drift.expected_outside_on)}

"""What was done: writes, rounds with every reading, leak tests, events, strikes, departures, findings."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable

from calibration.metrology.corners import CORNERS, Corner
from reports.drawing.words import corner_name, verdict_word

from . import styles, texts
from .display import DASH, Display
from .document import (
    CornerWrite,
    Document,
    EventEntry,
    FindingEntry,
    LeakTestEntry,
    Ruling,
    Strike,
    WriteEntry,
)
from .round_table import round_table

_NUMBER, _READ_BACK = 18.0, 62.0
_WRITE_SHARES = (0.47, 0.53)
"""Of the width between them: when and by whom, and the set-points."""


def work_record(document: Document, width: float) -> list[list[Flowable]]:
    """One list for each section."""
    course = [
        *_labelled(_("Work"), [_event(each, document) for each in document.events]),
        *_labelled(_("Reading struck out"), [_strike(each, document) for each in document.strikes]),
        *_labelled(_("Departure from the method"), [styles.markup(text) for text in document.departures]),
    ]
    findings = [_finding(each, document) for each in document.findings]
    return [
        _writes(document, width),
        round_table(document, width),
        _leak_tests(document, width),
        _items(_("Course of the job"), course, width),
        _items(_("Findings"), findings, width),
    ]


def _labelled(label: str, marked_up: list[str]) -> list[str]:
    return [f"{styles.bold(label)}: {item}" for item in marked_up]


def _items(title: str, marked_up: list[str], width: float) -> list[Flowable]:
    if not marked_up:
        return []
    return styles.section(title, [styles.bullet_markup(item, styles.SMALL_ITEM) for item in marked_up], width)


def _writes(document: Document, width: float) -> list[Flowable]:
    title = _("Set-points written to the vehicle")
    if not document.writes:
        none = styles.paragraph(_("None. Nothing was written during this job."), styles.SMALL)
        return styles.section(title, [none], width)
    head = [_("No."), _("When, who"), _("Set-points, before → written"), _("Read-back")]
    widths = [_NUMBER, *((width - _NUMBER - _READ_BACK) * share for share in _WRITE_SHARES), _READ_BACK]
    table = styles.small_table([head], [_write_row(write, document) for write in document.writes], widths)
    return styles.section(title, [table, *_justifications(document), *_baselines(document)], width)


def _write_row(write: WriteEntry, document: Document) -> list[styles.Cell]:
    display = Display.of(document)
    kind = texts.wording(texts.PROPOSAL_KINDS, write.proposal) if write.proposal else str(texts.NO_PROPOSAL)
    if write.repeats is not None:
        kind = _("write %(number)s received once more, not counted") % {"number": write.repeats}
    verified = _verified(write)
    changes = [_change(corner, write.corners[corner], display) for corner in CORNERS if corner in write.corners]
    return [
        str(write.number),
        styles.markup(f"{display.stamp(write.written_at)}, {write.written_by}; {kind}"),
        "; ".join(changes) or DASH,
        styles.markup(verified) if write.verified else styles.bold(verified),
    ]


def _verified(write: WriteEntry) -> str:
    """Without a proposal nothing was wanted that the read-back could be compared with."""
    if not write.verified:
        return _("NOT VERIFIED")
    return _("verified") if write.proposal else DASH


def _change(corner: Corner, write: CornerWrite, display: Display) -> str:
    """What was stored before and what was to be stored; what was read back only where that is another number."""
    written = write.read_back if write.intended is None else write.intended
    change = styles.markup(f"{corner_name(corner)} {display.counts(write.before)} → {display.counts(written)}")
    if written == write.read_back:
        return change
    read = _("read %(counts)s") % {"counts": display.counts(write.read_back)}
    return f"{change}, {styles.bold(read)}"


def _justifications(document: Document) -> list[Flowable]:
    text = _("Write %(number)s, entered by hand because: %(reason)s")
    return [
        styles.bullet(text % {"number": write.number, "reason": write.justification}, styles.SMALL_ITEM)
        for write in document.counted_writes
        if write.justification
    ]


def _baselines(document: Document) -> list[Flowable]:
    """What the shift limits of the corners that were written count from."""
    display = Display.of(document)
    written = {corner for write in document.writes for corner in write.corners}
    known = [
        f"{corner_name(corner)} {display.counts(summary.baseline)}"
        for corner in CORNERS
        if corner in written and (summary := document.setpoints.get(corner)) and summary.baseline is not None
    ]
    if not known:
        return []
    text = _("Baseline, the set-points from which shift limits count: %(counts)s.")
    return [styles.paragraph(text % {"counts": "; ".join(known)}, styles.SMALL)]


def _leak_tests(document: Document, width: float) -> list[Flowable]:
    if not document.leak_tests:
        return []
    head = [_("When"), _("Limit"), *map(corner_name, CORNERS)]
    widths = [140.0, 34.0, *[(width - 174.0) / 4] * 4]
    is_any_corrected = any(test.temperature_corrected for test in document.leak_tests)
    rows = [_leak_row(test, document, tells_uncorrected=is_any_corrected) for test in document.leak_tests]
    title = _("Leak tests: sinking in %(unit)s per hour") % {"unit": Display.of(document).length_unit_name}
    if not is_any_corrected:
        title += ", " + _("not corrected for temperature")
    return styles.section(title, [styles.small_table([head], rows, widths)], width)


def _leak_row(test: LeakTestEntry, document: Document, *, tells_uncorrected: bool) -> list[styles.Cell]:
    display = Display.of(document)
    period = f"{display.stamp(test.started_at)} {DASH} {display.stamp(test.ended_at)}"
    if test.temperature_corrected:
        period += "; " + _("corrected for temperature")
    elif tells_uncorrected:
        period += "; " + _("not corrected for temperature")
    return [styles.markup(period), display.length(test.limit_mm_per_h), *_leak_cells(test, display)]


def _leak_cells(test: LeakTestEntry, display: Display) -> list[styles.Cell]:
    cells: list[styles.Cell] = []
    for corner in CORNERS:
        rate = test.corners.get(corner)
        if rate is None:
            cells.append(DASH)
            continue
        figure = f"{display.length(rate.rate_mm_per_h, signed=True)} "
        figure += display.plus_minus(rate.expanded_uncertainty_mm_per_h)
        cells.append(f"{styles.markup(figure)} {styles.bold(verdict_word(rate.verdict))}")
    return cells


def _event(event: EventEntry, document: Document) -> str:
    where = f"{corner_name(event.corner)}: " if event.corner else ""
    what = texts.wording(texts.EVENTS, event.kind)
    note = f": {event.note}" if event.note else ""
    return styles.markup(f"{Display.of(document).stamp(event.happened_at)}, {where}{what}{note}")


def _strike(strike: Strike, document: Document) -> str:
    display = Display.of(document)
    replacement = display.length_with_unit(strike.replacement_mm)
    text = _("Round %(round)s, %(corner)s: %(struck)s, replaced by %(replacement)s. Reason: %(reason)s") % {
        "round": strike.round,
        "corner": corner_name(strike.corner),
        "struck": display.length_with_unit(strike.height_mm),
        "replacement": replacement,
        "reason": strike.reason,
    }
    late = _("after its verdict was shown") if strike.after_verdict else ""
    by = _by(strike.struck_by, display.stamp(strike.struck_at), self_approved=strike.self_approved)
    return styles.markup(f"{text} ({'; '.join(part for part in (by, late) if part)})")


def _by(name: str, when: str, *, self_approved: bool) -> str:
    """Who and when; a one-person workshop's own approval says so."""
    parts = [name, when, *([_("self-approved")] if self_approved else [])]
    return ", ".join(parts)


def _finding(finding: FindingEntry, document: Document) -> str:
    """What, whether it is settled, what was seen, and how and by whom it was settled."""
    where = f"{corner_name(finding.corner)}: " if finding.corner else ""
    label = f"{where}{texts.wording(texts.FINDINGS, finding.code)}"
    status = texts.wording(texts.FINDING_STATUSES, finding.status)
    parts = [f"{styles.bold(label)} ({styles.markup(status)}).", styles.markup(finding.detail)]
    if finding.ruling is not None:
        parts.append(_ruling(finding.ruling, document))
    if finding.settled:
        parts.append(styles.markup(_("Settled: %(how)s.") % {"how": finding.settled.rstrip(".")}))
    if finding.status == "open" and finding.severity == "review" and finding.ruling is None:
        parts.append(styles.markup(_("Nobody has ruled on it.")))
    return " ".join(part for part in parts if part)


def _ruling(ruling: Ruling, document: Document) -> str:
    decision = texts.wording(texts.RULING_DECISIONS, ruling.decision)
    by = _by(ruling.ruled_by, Display.of(document).stamp(ruling.ruled_at), self_approved=ruling.self_approved)
    return styles.markup(_("Ruling: %(decision)s. %(reason)s (%(by)s)")) % {
        "decision": styles.markup(decision),
        "reason": styles.markup(ruling.reason),
        "by": styles.markup(by),
    }

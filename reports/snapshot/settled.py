"""Which findings are settled, how and by whom: ruled on, mended, or overtaken by what was recorded later."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any, Final, TypeVar

from django.utils.translation import gettext as _

from calibration.models import Finding, Round, Write
from calibration.rules.course import VOIDING_KINDS, credible
from calibration.rules.record import FindingRaised
from calibration.rules.standing import SUSPICION_CODES
from reports.drawing.words import corner_name

from ..certificate import document as doc
from ..certificate.texts import EVENTS_IN_SENTENCES, wording
from .source import Source, as_corner

LEAK_CODES: Final = frozenset({"leak_outside", "leak_undecided", "leak_corner_rose", "leak_test_disturbed"})
FactT = TypeVar("FactT", Round, Write)
Told = str | None
"""How a finding was settled; None where it was not."""


def status_of(source: Source, row: Finding) -> tuple[doc.FindingStatus, str]:
    """Where a finding stands at the end of the job, and by what it was overtaken."""
    raised = next(each for each in source.case.record.findings if each.id == row.pk)
    is_live = source.case.standing.is_live(raised)
    if raised.ruling == "accept" and not is_live:
        return "settled", ""
    told = _overtaken(source, row, raised, is_live=is_live)
    if told is not None:
        return "settled", told
    return ("open" if row.severity != Finding.Severity.NOTE else "note"), ""


def _overtaken(source: Source, row: Finding, raised: FindingRaised, *, is_live: bool) -> Told:
    if not is_live:
        return _ended(source, row) or _("no longer so at the end of the job")
    return _BY_RECORD[row.code](source, row) if row.code in _BY_RECORD and raised.ruling is None else None


def _ended(source: Source, row: Finding) -> Told:
    """What ended a finding that says nothing any more."""
    if row.code == "no_specification":
        return _specification(source)
    if row.code in ("tyre_not_listed", "load_capacity_low", "tyres_not_recorded"):
        return _tyres(source, row)
    if row.code == "measured_before_readiness":
        return _readiness(source, row)
    if row.code == "large_warp":
        return _no_longer_twisted(source, row)
    if row.code in ("pair_disagrees", "rounds_disagree"):
        return _struck_or_measured_again(source, row)
    if row.code in LEAK_CODES:
        return _tested_again(source, row)
    work = _work_at(source, row) if row.code in SUSPICION_CODES or row.code == "not_adjustable_here" else None
    return work or _measured_again(source, row) or _concession(source, row)


def _specification(source: Source) -> Told:
    row = source.case.specification
    text = _("specification revision %(revision)s was recorded")
    return text % {"revision": row.revision} if row else None


def _tyres(source: Source, row: Finding) -> Told:
    later = [each for each in source.case.fitments if each.recorded_at > row.recorded_at]
    if not later:
        return None
    return _("other tyres were recorded by %(who)s") % {"who": source.by(later[0].recorded_by, later[0].recorded_at)}


def _readiness(source: Source, row: Finding) -> Told:
    later = [each for each in source.case.readiness if each.recorded_at > row.recorded_at]
    if not later:
        return None
    return _("checked by %(who)s") % {"who": source.by(later[-1].recorded_by, later[-1].recorded_at)}


def _tested_again(source: Source, row: Finding) -> Told:
    """The last leak test after the one that the finding is about."""
    test = next((each for each in source.case.leak_tests if each.pk == row.source_id), None)
    later = [each for each in source.case.leak_tests if test is not None and each.happened_at > test.happened_at]
    if not later:
        return None
    last = max(later, key=lambda each: each.happened_at)
    return _("tested for leaks again by %(who)s") % {"who": source.by(last.recorded_by, last.happened_at)}


def _concession(source: Source, row: Finding) -> Told:
    granted = [each for each in source.case.decisions if each.recorded_at > row.recorded_at]
    return _("other targets apply by concession") if granted and source.case.standing.concession else None


def _work_at(source: Source, row: Finding) -> Told:
    """The first work since that makes a corner's earlier heights say nothing about its present ones."""
    for each in source.case.events:
        at_place = not row.corner or each.corner in ("", row.corner)
        if each.kind in VOIDING_KINDS and each.recorded_at > row.recorded_at and at_place:
            corner = as_corner(each.corner)
            what = wording(EVENTS_IN_SENTENCES, each.kind) + (f", {corner_name(corner)}" if corner else "")
            return _("%(what)s, recorded by %(who)s") % {
                "what": what,
                "who": source.by(each.recorded_by, each.happened_at),
            }
    return None


def _measured_again(source: Source, row: Finding) -> Told:
    """The first round since the one that the finding is about."""
    later = _later(source.case.rounds, _moment(source, row))
    return _told_round(source, later[0]) if later else None


def _no_longer_twisted(source: Source, row: Finding) -> Told:
    """The last judged round shows no twist any more; measuring it again alone settles nothing."""
    standing = source.case.standing
    if standing.assessment is None or any(each.code == row.code for each in standing.assessment.findings):
        return None
    last = next(each for each in source.case.rounds if each.pk == standing.course.pool[-1].id)
    return _told_round(source, last) if last.happened_at > _moment(source, row) else None


def _told_round(source: Source, measured: Round) -> str:
    return _("measured again in round %(number)s by %(who)s") % {
        "number": source.round_numbers[str(measured.pk)],
        "who": source.by(measured.recorded_by, measured.happened_at),
    }


def _struck_or_measured_again(source: Source, row: Finding) -> Told:
    """A pair of readings: struck, read again at the same round, or measured anew."""
    return _struck(source, row) or _read_again(source, row) or _measured_again(source, row)


def _struck(source: Source, row: Finding) -> Told:
    round_id = str(row.values.get("round", ""))
    for strike in source.case.strikes:
        reading = strike.reading
        if str(reading.round_id) == round_id and reading.corner == row.corner:
            return _("a reading was struck out and replaced by %(who)s") % {
                "who": source.by(strike.recorded_by, strike.recorded_at)
            }
    return None


def _read_again(source: Source, row: Finding) -> Told:
    """Further readings in the round: their median counts."""
    measured = next((each for each in source.case.rounds if str(each.pk) == str(row.values.get("round", ""))), None)
    readings: Iterable[Any] = measured.reading_rows if measured else ()  # type: ignore[attr-defined]
    again = [each for each in readings if each.corner == row.corner and each.recorded_at > row.recorded_at]
    if not again:
        return None
    return _("the corner was read again by %(who)s; the median counts") % {
        "who": source.by(again[-1].recorded_by, again[-1].recorded_at)
    }


def _stored_since(source: Source, row: Finding) -> Told:
    """What was to be stored at the corner was read there later."""
    for each in _facts_with_counts(source, row):
        counts = each.read_back if isinstance(each, Write) else each.setpoints
        if counts.get(row.corner) == row.values.get("wanted"):
            return _told_counts(source, each)
    return None


def _as_expected_since(source: Source, row: Finding) -> Told:
    """A round since read the set-point that had been expected: the other reading was a slip."""
    for each in _later(source.case.rounds, _moment(source, row)):
        if each.setpoints.get(row.corner) == row.values.get("expected"):
            return _told_counts(source, each)
    return None


def _credible_since(source: Source, row: Finding) -> Told:
    specification = source.case.record.specification
    for each in _later(source.case.rounds, _moment(source, row)):
        if specification is not None and credible(each.setpoints, specification):
            return _told_counts(source, each)
    return None


def _in_range_since(source: Source, row: Finding) -> Told:
    """A round since read set-points that can be right, and at this corner one inside what it had been outside of."""
    low, high = row.values.get("low"), row.values.get("high")
    specification = source.case.record.specification
    for each in _later(source.case.rounds, _moment(source, row)):
        count = each.setpoints.get(row.corner)
        outside = count is None or (low is not None and count < low) or (high is not None and count > high)
        if specification is not None and credible(each.setpoints, specification) and not outside:
            return _told_counts(source, each)
    return None


def _facts_with_counts(source: Source, row: Finding) -> list[Round | Write]:
    since = _moment(source, row)
    facts: list[Round | Write] = [*_later(source.case.rounds, since), *_later(source.case.writes, since)]
    return sorted(facts, key=lambda each: each.happened_at)


def _told_counts(source: Source, fact: Round | Write) -> str:
    return _("read anew by %(who)s") % {"who": source.by(fact.recorded_by, fact.happened_at)}


def _later(facts: Iterable[FactT], moment: datetime) -> list[FactT]:
    """Those that happened since, and not once more what had happened before."""
    return [each for each in facts if each.happened_at > moment and each.repeats_id is None]


def _moment(source: Source, row: Finding) -> datetime:
    """When the fact happened that gave rise to the finding."""
    facts: list[Round | Write] = [*source.case.rounds, *source.case.writes]
    return next((each.happened_at for each in facts if each.pk == row.source_id), row.recorded_at)


_BY_RECORD: Final[dict[str, Callable[[Source, Finding], Told]]] = {
    "pair_disagrees": _struck_or_measured_again,
    "write_not_verified": _stored_since,
    "setpoints_changed_elsewhere": _as_expected_since,
    "setpoint_out_of_range": _in_range_since,
    "linked_setpoints_differ": _credible_since,
    "setpoints_incomplete": _credible_since,
}
"""Findings that later records can overtake, with what looks for those."""

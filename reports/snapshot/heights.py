"""Heights as found and as left, and the rounds, readings and strikes they rest on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from calibration.metrology.assessment_document import assessment_as_dict
from calibration.metrology.corners import AXLES, CORNERS, Corner
from calibration.models import Job, Reading, Round
from calibration.rules.course import VOIDING_KINDS
from calibration.rules.explain import as_found_document
from fleet.models import Instrument, ServiceEvent

from ..certificate import document as doc
from ..certificate.texts import EVENTS_IN_SENTENCES, wording
from .source import Source, as_corner, plain_zero


def as_found(source: Source) -> doc.HeightState | None:
    """The verdict on the first pool by the specification's own targets, whatever came afterwards."""
    content = as_found_document(source.case.standing)
    if content is None:
        return None
    return _with_work_since(source, _state(source, content), _pooled(source, content)[-1])


def as_left(source: Source) -> doc.HeightState | None:
    """The last verdict; None where set-points were written or the vehicle was worked on after the last judged round."""
    content = _last_verdict(source)
    if content is None:
        return None
    last = _pooled(source, content)[-1]
    written = [each for each in source.case.writes if each.repeats_id is None and each.happened_at > last.happened_at]
    if written or _work_after(source, last):
        return None
    return _state(source, content)


def _last_verdict(source: Source) -> Mapping[str, Any] | None:
    """The last one kept; the round that completed a return to earlier set-points closed its job and is judged here."""
    standing = source.case.standing
    if source.case.job.state == Job.State.REVERTED and standing.assessment is not None:
        return assessment_as_dict(standing.assessment)
    rounds = _rounds_by_id(source)
    kept = [
        (max(rounds[key].happened_at for key in each.content["rounds"]), each.recorded_at, each)
        for each in source.case.assessments
    ]
    return max(kept, key=lambda each: each[:2])[2].content if kept else None


def rounds(source: Source) -> tuple[doc.RoundEntry, ...]:
    struck = {strike.reading_id for strike in source.case.strikes}
    serials = _serials(source)
    return tuple(
        doc.RoundEntry(
            number=number,
            taken_at=source.local(each.happened_at),
            measured_by=source.name(each.recorded_by),
            instrument=serials[each.instrument_id],
            readings=tuple(
                _reading(source, each, reading, serials, struck=reading.pk in struck) for reading in readings_of(each)
            ),
            setpoints=corner_counts(each.setpoints),
            ride_position=each.ride_position,
            settled=each.settled,
            settling_cut_short_s=each.settling_cut_short_s,
            temperature_deg_c=None if each.temperature_deg_c is None else plain_zero(float(each.temperature_deg_c)),
            from_paper=each.recorded_from == "paper",
            repeats=source.round_numbers[str(each.repeats_id)] if each.repeats_id else None,
        )
        for number, each in enumerate(source.case.rounds, start=1)
    )


def strikes(source: Source) -> tuple[doc.Strike, ...]:
    readings = {reading.pk: (each, reading) for each in source.case.rounds for reading in readings_of(each)}
    entries = []
    for strike in source.case.strikes:
        measured, reading = readings[strike.reading_id]
        replacement = readings.get(strike.replacement_id)
        entries.append(
            doc.Strike(
                round=source.round_numbers[str(measured.pk)],
                corner=_known(reading.corner),
                height_mm=float(reading.height_mm),
                replacement_mm=float(replacement[1].height_mm) if replacement else None,
                reason=strike.reason,
                struck_by=source.name(strike.recorded_by),
                struck_at=source.local(strike.recorded_at),
                after_verdict=_was_judged_before(source, measured, strike.recorded_at),
                self_approved=strike.self_approved,
            )
        )
    return tuple(entries)


def not_adjustable_here(source: Source) -> tuple[Corner, ...]:
    """Corners outside tolerance that this job could not change."""
    found = {
        each.corner
        for each in source.case.record.findings
        if each.code == "not_adjustable_here" and source.case.standing.is_live(each)
    }
    return tuple(corner for corner in CORNERS if corner in found)


def corner_counts(counts: Mapping[str, Any]) -> dict[Corner, int]:
    return {corner: int(counts[corner]) for corner in CORNERS if corner in counts}


def readings_of(measured: Round) -> list[Reading]:
    rows: list[Reading] = measured.reading_rows  # type: ignore[attr-defined]
    return rows


def _state(source: Source, content: Mapping[str, Any]) -> doc.HeightState:
    """`content`: a verdict, as the interface gives it."""
    pooled, modes = _pooled(source, content), content.get("modes")
    return doc.HeightState(
        taken_at=source.local(pooled[-1].happened_at),
        rounds=tuple(sorted(source.round_numbers[key] for key in content["rounds"])),
        corners={corner: _corner(content["corners"][corner]) for corner in CORNERS},
        verdict=content["verdict"],
        sides={axle: _side(content["sides"][axle]) for axle in AXLES if content["sides"].get(axle)},
        modes=_modes(modes) if modes else None,
    )


def _corner(content: Mapping[str, Any]) -> doc.CornerResult:
    return doc.CornerResult(
        mean_mm=float(content["mean_mm"]),
        expanded_uncertainty_mm=float(content["expanded_uncertainty_mm"]),
        coverage_factor=float(content["coverage_factor"]),
        standard_uncertainty_mm=float(content["standard_uncertainty_mm"]),
        degrees_of_freedom=_optional(content["degrees_of_freedom"]),
        readings=content["readings"],
        rounds=content["rounds"],
        target_mm=_optional(content.get("target_mm")),
        tolerance_mm=_optional(content.get("tolerance_mm")),
        deviation_mm=_optional(content.get("deviation_mm")),
        verdict=content.get("verdict"),
        conformance_probability=_optional(content.get("conformance_probability")),
        adjustable=content.get("adjustable", True),
        estimator=content.get("estimator", "mean"),
        budget=tuple(
            doc.BudgetLine(
                part["component"],
                float(part["standard_uncertainty_mm"]),
                _optional(part["degrees_of_freedom"]),
            )
            for part in content["budget"]
        ),
    )


def _side(content: Mapping[str, Any]) -> doc.SideResult:
    return doc.SideResult(
        difference_mm=plain_zero(content["difference_mm"]),
        expanded_uncertainty_mm=float(content["expanded_uncertainty_mm"]),
        limit_mm=_optional(content.get("limit_mm")),
        verdict=content.get("verdict"),
        adjustable=content.get("adjustable", True),
    )


def _modes(content: Mapping[str, Any]) -> doc.Modes:
    return doc.Modes(*(plain_zero(content[name]) for name in ("heave_mm", "pitch_mm", "roll_mm", "warp_mm")))


def _pooled(source: Source, content: Mapping[str, Any]) -> list[Round]:
    """The rounds that a verdict was made on, in the order in which they were measured."""
    by_id = _rounds_by_id(source)
    return sorted((by_id[key] for key in content["rounds"]), key=_moment)


def _moment(fact: Round | ServiceEvent) -> tuple[datetime, datetime]:
    return fact.happened_at, fact.recorded_at


def _work_after(source: Source, measured: Round) -> list[ServiceEvent]:
    """Work on the vehicle after a round that makes heights before and after it say nothing about each other."""
    return [each for each in source.case.events if each.kind in VOIDING_KINDS and _moment(each) > _moment(measured)]


def _with_work_since(source: Source, state: doc.HeightState, last: Round) -> doc.HeightState:
    """Name at a corner the work done there after it was found; the verdict on what was found stands."""
    events = _work_after(source, last)
    corners = {
        corner: replace(result, overtaken_by=_work_at(corner, events)) for corner, result in state.corners.items()
    }
    return replace(state, corners=corners)


def _work_at(corner: Corner, events: Iterable[ServiceEvent]) -> str:
    """Each kind of work once; work on the whole vehicle is work at every corner."""
    done = [wording(EVENTS_IN_SENTENCES, each.kind) for each in events if each.corner in ("", corner)]
    return "; ".join(dict.fromkeys(done))


def _was_judged_before(source: Source, measured: Round, at: datetime) -> bool:
    key = str(measured.pk)
    return any(each.recorded_at < at and key in each.content["rounds"] for each in source.case.assessments)


def _rounds_by_id(source: Source) -> dict[str, Round]:
    return {str(each.pk): each for each in source.case.rounds}


def _serials(source: Source) -> dict[Any, str]:
    used = {each.instrument_id for each in source.case.rounds}
    used |= {reading.instrument_id for each in source.case.rounds for reading in readings_of(each)}
    return {instrument.pk: instrument.serial for instrument in Instrument.objects.filter(pk__in=used)}


def _reading(
    source: Source, measured: Round, reading: Reading, serials: Mapping[Any, str], *, struck: bool
) -> doc.ReadingEntry:
    by_another = reading.measured_by_id != measured.recorded_by
    with_another = reading.instrument_id != measured.instrument_id
    return doc.ReadingEntry(
        corner=_known(reading.corner),
        height_mm=float(reading.height_mm),
        struck=struck,
        measured_by=source.name(reading.measured_by_id) if by_another else "",
        instrument=serials[reading.instrument_id] if with_another else "",
    )


def _known(text: str) -> Corner:
    corner = as_corner(text)
    if corner is None:
        raise ValueError(f"{text!r} is no corner")
    return corner


def _optional(value: Any) -> float | None:
    return None if value is None else plain_zero(value)

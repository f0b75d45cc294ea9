"""One job, all of it: where it stands, what was measured, proposed, decided and written, and what came of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _

from calibration.api.documents import Shown, job_document
from calibration.metrology.corners import CORNERS, Corner
from calibration.models import OPEN_STATES, Job
from calibration.pages import words
from calibration.pages.shown import assessment_bars, change_rows, consequence_rows, height, limit_rows, names_of
from calibration.rules.consequences import consequences_document
from calibration.selectors.casefile import CaseFile, case_of
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES, ToleranceBar
from fleet.models import ServiceEvent
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may

from ..certificate import texts
from ..selectors.certificates import visible_certificates
from .leak_rows import leak_test_rows

TURNS: Final = {
    "paused": _("Paused"),
    "resumed": _("Resumed"),
    "reversion": _("Return to the set-points as found begun"),
    "refiled": _("Moved from another vehicle"),
    "ended": _("Ended without sign-off"),
}


class JobView(WorkshopPage):
    """`/jobs/<id>/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest, job_id: UUID) -> HttpResponse:
        case = case_of(self.actor, job_id)
        job, unit = job_document(self.actor, case), self.reader.length_unit
        names = names_of(_people(case))
        now = assessment_bars(job["assessment"], case.specification, unit, "now")
        values = {
            "job": job,
            "row": case.job,
            "vehicle": job["vehicle"],
            "is_open": case.job.state in OPEN_STATES,
            "step": words.STEPS[job["next_step"]],
            "says_step": job["next_step"] not in {"paused", "done"},
            "state": Job.State(case.job.state).label,
            "reason": Job.Reason(case.job.reason).label,
            "opened_by": names.get(case.job.opened_by, ""),
            "specification": case.specification,
            "may_read_all": may(self.actor, Permission.READ_WORKSHOP),
            "may_work": may(self.actor, Permission.RECORD_FACTS),
            "caution_texts": [each.text for each in job["cautions"]],
            "bars": now,
            "found_and_left": _found_and_left(case, job, now, unit),
            "consequences": _consequences(case, job, unit),
            "findings": _findings(job, names),
            "rounds": [_round(each, case, names, unit) for each in reversed(job["rounds"])],
            "proposals": [_proposal(each, case, names, unit) for each in reversed(job["proposals"])],
            "writes": [_write(each, names) for each in reversed(job["writes"])],
            "leak_tests": [_leak_test(each, names, unit) for each in reversed(job["leak_tests"])],
            "approvals": [_approval(each, names) for each in reversed(job["approvals"])],
            "concessions": [_concession(each, unit) for each in job["concessions"]],
            "readiness": _readiness(job["readiness"]["merged"]),
            "readiness_notes": _readiness_notes(case, names),
            "course": _course(job, names),
            "events": [_event(each) for each in case.events],
            "photos": job["photos"],
            "sign_off": job["sign_off"],
            "signed_by": names.get(job["sign_off"].recorded_by, "") if job["sign_off"] else "",
            "certificates": visible_certificates(self.actor).filter(job=case.job),
            "unit": unit,
        }
        return render(request, "reports/pages/job.html", values)


def _people(case: CaseFile) -> Iterable[UUID | None]:
    """Everybody who recorded or measured something in the job."""
    yield case.job.opened_by
    kinds: Sequence[Sequence[Any]] = (
        case.readiness,
        case.rounds,
        case.leak_tests,
        case.strikes,
        case.proposals,
        case.writes,
        case.approvals,
        case.decisions,
        case.rulings,
        case.pauses,
        case.resumptions,
        case.reversions,
        case.refilings,
        case.events,
        case.ends,
        case.sign_offs,
    )
    yield from (row.recorded_by for rows in kinds for row in rows)
    yield from (reading.measured_by_id for each in case.rounds for reading in each.reading_rows)  # type: ignore[attr-defined]


# --- heights ------------------------------------------------------------------------------------------
def _found_and_left(
    case: CaseFile, job: Shown, now: Mapping[str, ToleranceBar], unit: LengthUnit
) -> list[dict[str, Any]]:
    """Per corner: height and set-point as found, and as they are now or were left."""
    found = job["as_found"]
    if found is None:
        return []
    bars = assessment_bars(found["assessment"], case.specification, unit, "found")
    left = (job["as_left"] or {}).get("setpoints") or job["setpoints"] or {}
    return [
        {
            "name": CORNER_NAMES[corner],
            "found": bars.get(corner),
            "left": now.get(corner),
            "count_found": found["setpoints"].get(corner),
            "count_left": left.get(corner),
        }
        for corner in CORNERS
    ]


def _consequences(case: CaseFile, job: Shown, unit: LengthUnit) -> list[tuple[Any, str]]:
    """What became of the body from the heights as found to those last measured."""
    found, now, body = job["as_found"], job["assessment"], case.body
    if body is None or now is None or found is None or found["assessment"] is None:
        return []
    before, after = (
        [judged["corners"][corner]["mean_mm"] for corner in CORNERS] for judged in (found["assessment"], now)
    )
    return consequence_rows(consequences_document(body.moved(before, after)), unit)


def _round(measured: Shown, case: CaseFile, names: Mapping[UUID, str], unit: LengthUnit) -> dict[str, Any]:
    row = next(each for each in case.rounds if each.pk == measured["id"])
    judged = measured["assessment"]
    return {
        "at": row.happened_at,
        "by": names.get(row.recorded_by, "") if row.recorded_by else "",
        "instrument": ", ".join(str(each["serial"]) for each in row.instruments),
        "is_counted": row.repeats_id is None,
        "is_from_paper": row.recorded_from == "paper",
        "is_settled": row.settled,
        "settling_cut_short_s": row.settling_cut_short_s,
        "ride_position": ""
        if row.ride_position == "normal"
        else texts.wording(texts.RIDE_POSITIONS, row.ride_position),
        "verdict": judged["verdict"] if judged else None,
        "corners": [_corner(corner, measured, judged, unit) for corner in CORNERS],
        "struck": [each for each in measured["readings"] if each["struck"]],
        "setpoints": _counts(row.setpoints),
    }


def _corner(corner: Corner, measured: Shown, judged: Shown | None, unit: LengthUnit) -> dict[str, Any]:
    own = judged["corners"][corner] if judged else None
    readings = [
        {"height": length(each["height_mm"], unit), "struck": each["strike"]}
        for each in measured["readings"]
        if each["corner"] == corner
    ]
    return {
        "name": CORNER_NAMES[corner],
        "readings": readings,
        "mean": length(own["mean_mm"], unit) if own else "",
        "uncertainty": length(own["expanded_uncertainty_mm"], unit) if own else "",
        "deviation": length(own["deviation_mm"], unit, signed=True) if own else "",
        "verdict": own["verdict"] if own else None,
        "is_judged": own is not None,
    }


def _leak_test(shown: Shown, names: Mapping[UUID, str], unit: LengthUnit) -> dict[str, Any]:
    clock_is_slow_by = shown["happened_at"] - shown["end"]["at"]
    start, end = ({**each, "at": each["at"] + clock_is_slow_by} for each in (shown["start"], shown["end"]))
    return leak_test_rows(shown, unit, start=start, end=end, by=names.get(shown["recorded_by"], ""))


# --- decisions ----------------------------------------------------------------------------------------
def _findings(job: Shown, names: Mapping[UUID, str]) -> list[dict[str, Any]]:
    """What still matters first, the gravest first."""
    order = {"stop": 0, "review": 1, "note": 2}
    found = sorted(job["findings"], key=lambda each: (not each["in_force"], order[each["severity"]]))
    return [
        {
            **each,
            "title": texts.wording(texts.FINDINGS, each["code"]),
            "word": words.SEVERITIES[each["severity"]],
            "ruled": words.RULINGS[each["ruling"].decision] if "ruling" in each else "",
            "ruled_by": names.get(each["ruling"].recorded_by, "") if "ruling" in each else "",
        }
        for each in found
    ]


def _proposal(shown: Shown, case: CaseFile, names: Mapping[UUID, str], unit: LengthUnit) -> dict[str, Any]:
    known = [each.content for each in case.assessments if each.recorded_at <= shown["recorded_at"]]
    bars = assessment_bars(known[-1] if known else None, case.specification, unit, "then")
    return {
        **shown,
        "kind_word": texts.wording(texts.PROPOSAL_KINDS, shown["kind"]),
        "by": names.get(shown["recorded_by"], ""),
        "change_rows": change_rows(shown, bars, unit),
        "consequences": consequence_rows(shown["consequences"], unit),
        "limit_rows": [each for each in limit_rows(shown) if not each.is_kept],
    }


def _write(shown: Shown, names: Mapping[UUID, str]) -> dict[str, Any]:
    return {
        "at": shown["happened_at"],
        "by": names.get(shown["recorded_by"], ""),
        "counts": _counts(shown["read_back"]),
        "verified": shown["verified"],
        "mismatches": ", ".join(str(CORNER_NAMES[corner]) for corner in shown["mismatches"]),
        "is_counted": shown["repeats_id"] is None,
    }


def _approval(shown: Shown, names: Mapping[UUID, str]) -> dict[str, Any]:
    decision = shown["decision"]
    return {
        **shown,
        "subject_word": words.SUBJECTS[shown["subject"]],
        "state_word": words.APPROVAL_STATES[shown["state"]],
        "decided_by": names.get(decision.recorded_by, "") if decision else "",
    }


def _concession(shown: Shown, unit: LengthUnit) -> dict[str, Any]:
    return {**shown, "front": height(shown["front_target_mm"], unit), "rear": height(shown["rear_target_mm"], unit)}


def _readiness(merged: Mapping[str, str]) -> list[tuple[str, str]]:
    return [
        (texts.wording(texts.READINESS_ITEMS, item), texts.wording(texts.READINESS_OUTCOMES, outcome))
        for item, outcome in merged.items()
    ]


def _readiness_notes(case: CaseFile, names: Mapping[UUID, str]) -> list[dict[str, Any]]:
    """What was seen at items, oldest first: also at those that failed and passed later."""
    return [
        {
            "at": row.recorded_at,
            "item": texts.wording(texts.READINESS_ITEMS, item),
            "outcome": texts.wording(texts.READINESS_OUTCOMES, check["outcome"]),
            "note": check.get("note") or "",
            "by": names.get(row.recorded_by, "") if row.recorded_by else "",
        }
        for row in case.readiness
        for item, check in sorted(row.checks.items())
        if check.get("note") or check["outcome"] == "fail"
    ]


def _course(job: Shown, names: Mapping[UUID, str]) -> list[dict[str, Any]]:
    """Interruptions and turns of the job with their reasons, oldest first."""
    found = [
        *((each, TURNS["paused"]) for each in job["pauses"]),
        *((each, TURNS["resumed"]) for each in job["resumptions"]),
        *((each, TURNS["reversion"]) for each in job["reversions"]),
        *((each, TURNS["refiled"]) for each in job["refilings"]),
        *([(job["end"], TURNS["ended"])] if job["end"] else []),
    ]
    return [
        {"at": row.recorded_at, "what": word, "by": names.get(row.recorded_by, ""), "reason": row.reason}
        for row, word in sorted(found, key=lambda each: each[0].recorded_at)
    ]


def _event(event: ServiceEvent) -> dict[str, Any]:
    return {
        "at": event.happened_at,
        "what": texts.wording(texts.EVENTS, event.kind),
        "corner": CORNER_NAMES.get(event.corner, ""),
        "note": event.note,
    }


def _counts(setpoints: Mapping[str, int] | None) -> list[tuple[Any, int]]:
    known = setpoints or {}
    return [(CORNER_NAMES[corner], known[corner]) for corner in CORNERS if corner in known]

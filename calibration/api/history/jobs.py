"""A job's steps as lines of its vehicle's history: the heights, set-points and decisions that matter."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from decimal import Decimal
from statistics import fmean
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from calibration.metrology.corners import CORNERS
from calibration.models import Job
from calibration.rules.notation import figure, kilometres
from calibration.rules.texts import READINESS_ITEMS
from fleet.history import record_of, rows_of, summarises
from fleet.looks.corners import corner_name
from fleet.looks.lengths import length
from fleet.models import LedgerEntry

VERDICT_TEXTS = {
    "within": gettext_lazy("within tolerance"),
    "outside": gettext_lazy("outside tolerance"),
    "undecided": gettext_lazy("undecided"),
}

LEAK_VERDICT_TEXTS = {
    "within": gettext_lazy("passed"),
    "outside": gettext_lazy("leaks"),
    "undecided": gettext_lazy("undecided"),
}


def _in_job(entry: LedgerEntry, line: str) -> str:
    """The line, with the number of its job before it."""
    jobs = rows_of(entry, "calibration.job")
    return _("Job %(number)s: %(line)s") % {"number": jobs[-1]["number"], "line": line} if jobs else line


def _counts(setpoints: Mapping[str, Any] | None) -> str:
    return ", ".join(
        f"{corner_name(corner)} {(setpoints or {})[corner]}" for corner in CORNERS if corner in (setpoints or {})
    )


def _heights(entry: LedgerEntry) -> str:
    """What was measured at each corner, with its deviation from target and the verdict where it was judged."""
    assessments = rows_of(entry, "calibration.assessment")
    if assessments:
        content = assessments[-1]["content"]
        heights = ", ".join(
            f"{_height(corner, each['mean_mm'])} ({length(each['deviation_mm'], signed=True)})"
            for corner, each in ((corner, content["corners"][corner]) for corner in CORNERS)
        )
        return _("%(heights)s: %(verdict)s") % {"heights": heights, "verdict": VERDICT_TEXTS[content["verdict"]]}
    return _means(entry)


def _height(corner: str, height_mm: float) -> str:
    return f"{corner_name(corner)} {length(height_mm)} mm"


def _means(entry: LedgerEntry) -> str:
    by_corner = defaultdict(list)
    for reading in rows_of(entry, "calibration.reading"):
        by_corner[reading["corner"]].append(float(reading["height_mm"]))
    return ", ".join(_height(corner, fmean(by_corner[corner])) for corner in CORNERS if corner in by_corner)


def _reasoned(kind: str, line: Any) -> None:
    """Register a step of which its reason says enough."""

    @summarises(kind)
    def _line(entry: LedgerEntry) -> str:
        return _in_job(entry, f"{line} {record_of(entry)['reason']}")


_reasoned("job_paused", gettext_lazy("paused:"))
_reasoned("reading_struck", gettext_lazy("a reading struck out and replaced:"))


@summarises("job_opened")
def _job_opened(entry: LedgerEntry) -> str:
    job = record_of(entry)
    line = _("opened (%(reason)s) at %(odometer)s km.")
    odometer = kilometres(Decimal(job["odometer_km"]))
    return _in_job(entry, line % {"reason": Job.Reason(job["reason"]).label, "odometer": odometer})


@summarises("readiness_recorded")
def _readiness(entry: LedgerEntry) -> str:
    checks = record_of(entry)["checks"]
    failed = {item: check for item, check in checks.items() if check["outcome"] in {"fail", "not_done"}}
    if failed:
        items = "; ".join(_not_ready(item, check) for item, check in sorted(failed.items()))
        return _in_job(entry, _("readiness checked, failed or not done: %(items)s.") % {"items": items})
    in_order = ngettext(
        "readiness checked, %(count)s item in order.", "readiness checked, %(count)s items in order.", len(checks)
    )
    return _in_job(entry, in_order % {"count": len(checks)})


def _not_ready(item: str, check: Mapping[str, Any]) -> str:
    """An item with what was seen at it."""
    name, seen = str(READINESS_ITEMS.get(item, item)), (check.get("note") or "").rstrip(".")
    return f"{name} ({seen})" if seen else name


@summarises("round_recorded")
def _round(entry: LedgerEntry) -> str:
    measured = record_of(entry)
    line = _("measured %(heights)s; set-points %(counts)s.")
    told = line % {"heights": _heights(entry), "counts": _counts(measured["setpoints"])}
    return _in_job(entry, " ".join([told, *_settling(measured)]))


def _settling(measured: Mapping[str, Any]) -> list[str]:
    """What about the rest before a round was not as it should be."""
    seconds = measured["settling_cut_short_s"]
    sentences = [] if measured["settled"] else [_("It had not settled, and is not judged.")]
    if seconds is not None:
        sentences.append(_("The wait for it to settle was cut short after %(seconds)s s.") % {"seconds": seconds})
    return sentences


@summarises("readings_added")
def _readings(entry: LedgerEntry) -> str:
    return _in_job(entry, _("read again: %(heights)s.") % {"heights": _heights(entry)})


@summarises("leak_test_recorded")
def _leak_test(entry: LedgerEntry) -> str:
    result = record_of(entry)["result"]
    rates = ", ".join(_rate(corner, result["corners"][corner]) for corner in CORNERS)
    hours = figure(f"{result['hours']:.1f}")
    line = _("leak test over %(hours)s hours, sinking in mm per hour: %(rates)s.")
    return _in_job(entry, line % {"hours": hours, "rates": rates})


def _rate(corner: str, found: Mapping[str, Any]) -> str:
    rate, uncertainty = (figure(f"{found[name]:.2f}") for name in ("rate_mm_per_h", "expanded_uncertainty_mm_per_h"))
    shown = f"{corner_name(corner)} {rate} ± {uncertainty}"
    return f"{shown} ({LEAK_VERDICT_TEXTS[found['verdict']]})" if found["verdict"] else shown


@summarises("proposal_made")
def _proposal(entry: LedgerEntry) -> str:
    proposal = record_of(entry)
    changes = ", ".join(
        f"{corner_name(corner)} {each['from']} → {each['to']}"
        for corner, each in sorted(proposal["content"]["changes"].items())
        if each["from"] != each["to"]
    )
    outcome = _OUTCOMES[proposal["outcome"]]
    return _in_job(
        entry, _("proposed %(changes)s (%(outcome)s).") % {"changes": changes or _("no change"), "outcome": outcome}
    )


summarises("reversion_begun")(_proposal)
_OUTCOMES = {
    "allowed": gettext_lazy("within all limits"),
    "needs_approval": gettext_lazy("needs approval"),
    "refused": gettext_lazy("beyond a limit, refused"),
}


@summarises("write_recorded")
def _write(entry: LedgerEntry) -> str:
    write = record_of(entry)
    values = {"counts": _counts(write["read_back"]), "corners": ", ".join(map(corner_name, write["mismatches"]))}
    if write["verified"]:
        return _in_job(entry, _("written, read back as %(counts)s.") % values)
    return _in_job(entry, _("written, read back as %(counts)s, not as intended at %(corners)s.") % values)


@summarises("concession_requested")
def _concession(entry: LedgerEntry) -> str:
    asked = record_of(entry)
    line = _("concession asked for: targets front %(front)s mm, rear %(rear)s mm.")
    return _in_job(entry, line % {"front": asked["front_target_mm"], "rear": asked["rear_target_mm"]})


@summarises("approval_decided")
def _decision(entry: LedgerEntry) -> str:
    decided = record_of(entry)
    line = _("approved: %(reason)s") if decided["decision"] == "approve" else _("approval refused: %(reason)s")
    return _in_job(entry, line % {"reason": decided["reason"]})


@summarises("finding_ruled")
def _ruling(entry: LedgerEntry) -> str:
    ruling = record_of(entry)
    line = _("finding accepted: %(reason)s") if ruling["decision"] == "accept" else _("finding stands: %(reason)s")
    return _in_job(entry, line % {"reason": ruling["reason"]})


@summarises("job_resumed")
def _resumed(entry: LedgerEntry) -> str:
    return _in_job(entry, _("resumed; set-points %(counts)s.") % {"counts": _counts(record_of(entry)["setpoints"])})


@summarises("job_signed_off")
def _signed_off(entry: LedgerEntry) -> str:
    return _in_job(entry, _("signed off as complete."))


@summarises("job_ended")
def _ended(entry: LedgerEntry) -> str:
    return _in_job(entry, _("ended without sign-off: %(reason)s") % {"reason": record_of(entry)["reason"]})


@summarises("job_refiled")
def _refiled(entry: LedgerEntry) -> str:
    refiling = record_of(entry)
    if str(entry.vehicle_id) == refiling["to_vehicle_id"]:
        return _in_job(entry, _("moved here from another vehicle: %(reason)s") % {"reason": refiling["reason"]})
    return _("A job was moved from here to another vehicle: %(reason)s") % {"reason": refiling["reason"]}


@summarises("photo_added")
def _photo(entry: LedgerEntry) -> str:
    return _in_job(entry, _("photo added."))


@summarises("baseline_reset")
def _baseline(entry: LedgerEntry) -> str:
    resets = rows_of(entry, "calibration.baselinereset")
    corners = ", ".join(corner_name(each) for each in sorted(reset["corner"] for reset in resets))
    line = _("Shift limits count anew from the set-points read next at %(corners)s: %(reason)s")
    return line % {"corners": corners, "reason": resets[0]["reason"]}

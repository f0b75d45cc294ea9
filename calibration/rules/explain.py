"""The next step, a proposal and a request for approval in whole sentences: why, what to do, and who may."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.utils.translation import gettext as _

from fleet.looks.corners import corner_name
from fleet.looks.lengths import length

from ..metrology.assessment import Assessment
from ..metrology.assessment_document import assessment_as_dict
from . import leak_texts, texts, wording
from .next_step import refusal_of_the_last_proposal
from .notation import figure
from .record import Ended, Setpoints, WriteDone
from .standing import Standing

EVEN_CHANCE = 0.5

Document = Mapping[str, Any]
"""A proposal's content as it is stored."""


def next_step_detail(
    standing: Standing,
    *,
    proposal: Document | None = None,
    approvers: Sequence[str] | None = None,
    names_people: bool = True,
    one_decides_alone: bool = False,
) -> str:
    """Why the next step is what it is, and what to do.

    `proposal`: the open one; `approvers`: names, where known; `names_people`: whether to say who refused;
    `one_decides_alone`: the workshop has one person who may approve, and lets them decide on their own work.
    """
    step = standing.next_step
    sentences = [_why(standing), *_refusal(standing, names_people)]
    if step.step != "get_approval":
        sentences.append(texts.step_text(step.step, step.reason))
    elif one_decides_alone:
        sentences += [_decided_alone(), *_about_proposal(step.reason, proposal)]
    else:
        sentences += [texts.step_text(step.step, step.reason), *_about_approval(step.reason, proposal, approvers)]
    sentences += [*_still_open(standing), *_left_behind(standing)]
    return " ".join(sentences)


def _why(standing: Standing) -> str:
    step, assessment = standing.next_step, standing.assessment
    if step.reason in ("outside", "side_difference_outside") and assessment is not None:
        return " ".join(_outside(assessment))
    sentences = [*_items(standing), *_leaks(standing), *_read_back_otherwise(standing)]
    return " ".join([texts.reason_text(step.reason), *sentences])


def _items(standing: Standing) -> list[str]:
    """The readiness items in question, unless nothing was checked yet."""
    reason, merged = standing.next_step.reason, standing.readiness
    if reason == "readiness_failed":
        failed = [item for item, outcome in merged.items() if outcome == "fail"]
        return [_("Not in order: %(items)s.") % {"items": _item_names(failed)}]
    unchecked = [item for item, outcome in merged.items() if outcome == "not_done"]
    if reason != "readiness_missing" or len(unchecked) == len(merged):
        return []
    text = _("Without an outcome that counts: %(items)s. “Not checked” and a gap count alike: go and look.")
    return [text % {"items": _item_names(unchecked)}]


def _leaks(standing: Standing) -> list[str]:
    return leak_texts.leak_sentences(standing.leaks) if standing.next_step.reason in leak_texts.REASONS else []


def _item_names(items: Iterable[str]) -> str:
    return ", ".join(str(texts.READINESS_ITEMS[item]) for item in items)


def _read_back_otherwise(standing: Standing) -> list[str]:
    """Corner by corner what was to be written and what the control unit answers, and what that comes to."""
    proposal, reason = standing.open_proposal, standing.next_step.reason
    if not reason.startswith("write_not_verified") or proposal is None:
        return []
    answered = next(fact.read_back for fact in reversed(standing.record.facts) if isinstance(fact, WriteDone))
    sentences = [
        texts.finding_detail("write_not_verified", corner, {"wanted": wanted, "read": answered.get(corner)})
        for corner, wanted in proposal.to_setpoints.items()
        if answered.get(corner) != wanted
    ]
    if any(each.code == "write_not_verified" for each in standing.missing_rulings):
        sentences.append(_("A manager rules on it before the sign-off; the work need not wait for that."))
    if reason == "write_not_verified":
        sentences.append(_("Check the connection of the tool: a second time stops the work."))
    return sentences


def _refusal(standing: Standing, names_people: bool) -> list[str]:
    """Who refused what the next step is about, and why."""
    by_reason = {
        "approval_refused": refusal_of_the_last_proposal(standing),
        "sign_off_refused": standing.sign_off_refused,
    }
    refused = by_reason.get(standing.next_step.reason)
    if refused is None:
        return []
    reason = refused.reason.rstrip(".")
    if not names_people or not refused.refused_by:
        return [_("The reason given: %(reason)s.") % {"reason": reason}]
    return [
        _("%(name)s refused it, and gave this reason: %(reason)s.") % {"name": refused.refused_by, "reason": reason}
    ]


def _outside(assessment: Assessment) -> list[str]:
    """Corners by name; a side as the difference between its corners, which may both be within."""
    corners = [each.corner for each in assessment.corners if each.adjustable and each.verdict == "outside"]
    sentences = (
        [_("Outside tolerance: %(corners)s.") % {"corners": ", ".join(map(corner_name, corners))}] if corners else []
    )
    for side in assessment.sides:
        if side.adjustable and side.verdict == "outside":
            text = _("%(side)s is outside: left minus right is %(difference)s mm, and at most %(limit)s mm is allowed.")
            values = {"difference": length(side.difference_mm), "limit": figure(f"{side.limit_mm:g}")}
            sentences.append(text % {"side": texts.AXLES[side.axle], **values})
    return sentences


def _decided_alone() -> str:
    return _(
        "It must be decided before this goes on. In this workshop one person approves alone: they decide, with a "
        "reason, on their own work too, and the record says that it is self-approved."
    )


def _about_approval(reason: str, proposal: Document | None, approvers: Sequence[str] | None) -> list[str]:
    if reason == "rulings_missing":
        return [_("A manager rules who neither measured nor recorded what the finding is about.")]
    who = [_who(approvers)] if approvers is not None else []
    return [*_asked_because(reason, proposal), *who, *_until_then(reason)]


def _about_proposal(reason: str, proposal: Document | None) -> list[str]:
    return [*_asked_because(reason, proposal), *_until_then(reason)]


def _asked_because(reason: str, proposal: Document | None) -> list[str]:
    if reason != "proposal" or proposal is None:
        return []
    asked = _("It is asked because of: %(limits)s.") % {"limits": _limits(proposal["limits"], "review")}
    return [asked, *filter(None, [_moving_away(proposal)])]


def _until_then(reason: str) -> list[str]:
    if reason != "proposal":
        return []
    return [_("Until then nothing is written. Another proposal or a new round takes its place.")]


def _who(approvers: Sequence[str]) -> str:
    if approvers:
        return _("These may decide: %(names)s.") % {"names": ", ".join(approvers)}
    return _(
        "Nobody may decide now: everybody who may approve took part in the work. A manager can name another person, "
        "or, in a workshop of one, switch on the setting for it."
    )


def _still_open(standing: Standing) -> list[str]:
    """What does not block the sign-off, but is easily forgotten before it."""
    if standing.next_step.step != "sign_off" or not standing.record.tyre_change_unrecorded:
        return []
    return [texts.finding_detail("tyres_not_recorded", None, {})]


def left_unconfirmed(standing: Standing) -> bool:
    """The job ended after a write, and no round since showed that with these set-points all is within tolerance."""
    if standing.record.state != "ended" or not standing.course.writes:
        return False
    is_measured = standing.assessment is not None and _set_points_left(standing) == standing.course.stored
    return not (is_measured and standing.assessment.verdict == "within")  # type: ignore[union-attr]


def _set_points_left(standing: Standing) -> Setpoints | None:
    """Those read when the job was ended; it takes them where something was written."""
    read = (fact.setpoints for fact in reversed(standing.record.facts) if isinstance(fact, Ended))
    return next(read, None) or standing.course.stored


def _left_behind(standing: Standing) -> list[str]:
    """What the vehicle has now, where a job ended after a write, and what is to be done about it."""
    if not left_unconfirmed(standing):
        return []
    left = _set_points_left(standing) or {}
    stored = ", ".join(f"{corner_name(corner)} {figure(str(count))}" for corner, count in left.items())
    if standing.assessment is None or _set_points_left(standing) != standing.course.stored:
        heights = _("No round was measured with them, so nobody knows the heights that they give.")
    else:
        heights = _("The rounds measured with them do not show that everything is within tolerance.")
    what_now = _(
        "Before the vehicle is used, open another job and go on measuring, or open one with the reason 'reversion' and "
        "go back to the set-points as found; and tell the operator."
    )
    return [_("The set-points read last were %(setpoints)s.") % {"setpoints": stored}, heights, what_now]


def as_found_document(standing: Standing) -> dict[str, Any] | None:
    """The verdict on the vehicle as it was found: the interface's assessment, its findings in sentences."""
    assessment = standing.as_found_assessment
    if assessment is None:
        return None
    content = assessment_as_dict(assessment)
    content["findings"] = [
        {
            "code": each.code,
            "corner": each.corner,
            "severity": each.severity,
            "detail": texts.finding_detail(each.code, each.corner, each.values),
        }
        for each in assessment.findings
    ]
    return content


def proposal_detail(outcome: str, content: Document) -> str:
    """What may be done with a proposal, and why not more."""
    limits: Sequence[Document] = content["limits"]
    if outcome == "refused":
        hard = list(dict.fromkeys(each["code"] for each in limits if each["outcome"] == "refuse"))
        advice = " ".join(str(texts.LIMIT_ADVICE[code]) for code in hard)
        text = _("Refused, whoever asks: %(limits)s. Do not write it. %(advice)s")
        return text % {"limits": _limits(limits, "refuse"), "advice": advice}
    if outcome == "needs_approval":
        text = _("This must be approved before it is written: %(limits)s.")
        moving_away = _moving_away(content)
        return " ".join([text % {"limits": _limits(limits, "review")}, *([moving_away] if moving_away else [])])
    allowed = _("Inside every limit: write these set-points, read them back and record both.")
    return " ".join([allowed, *_hardly_enough(content)])


def _hardly_enough(content: Document) -> list[str]:
    """An entered proposal is the technician's own: what is expected of it is said, whatever the limits allow."""
    chance = content["probability_within"]
    by_hand = any(str(change["reason_code"]).startswith("entered_") for change in content["changes"].values())
    if not by_hand or chance is None or chance >= EVEN_CHANCE:
        return []
    text = _("Expect to go on afterwards: of a hundred vehicles like this, about %(chance)s would then be within.")
    return [text % {"chance": f"{100 * chance:.0f}"}]


def _limits(limits: Iterable[Document], outcome: str) -> str:
    """The limits with that outcome; what is said of several corners is said once."""
    corners: dict[str, list[str]] = {}
    for each in limits:
        if each["outcome"] == outcome:
            of = corners.setdefault(wording.limit_detail(each), [])
            of += [corner_name(each["corner"])] if each["corner"] else []
    return "; ".join(f"{', '.join(of)}: {detail}" if of else detail for detail, of in corners.items())


def _moving_away(content: Document) -> str:
    """Says which corners a hand-entered proposal moves off their target; empty where none."""
    away = {
        corner: change["numbers"]["further_mm"]
        for corner, change in content["changes"].items()
        if change["reason_code"] == "entered_away_from_target"
    }
    if not away:
        return ""
    corners = ", ".join(f"{corner_name(corner)} ({length(further)} mm)" for corner, further in away.items())
    return _("It moves corners further from their target than they are now: %(corners)s.") % {"corners": corners}


def approval_detail(subject: str, content: Document | None) -> str:
    """Why another person is asked, and for what; `content` is that of the proposal or the concession."""
    if subject == "proposal" and content is not None:
        return proposal_detail("needs_approval", content)
    if subject == "concession" and content is not None:
        return str(texts.CONCESSION) % content
    return texts.reason_text("tape_cannot_decide")

"""What a document concludes, in words for someone who is no expert (ISO/IEC 17025 7.8.6)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.metrology.corners import AXLES, CORNERS, Axle, Corner
from reports.drawing.words import axle_name

from .display import Display, corner_list, in_sentence
from .document import Document, HeightState, Verdict

_BASES = {
    "within": gettext_lazy(
        "All four corner heights and both side differences, measured on %(day)s, lie within the tolerances of "
        "specification revision %(revision)s, uncertainty of measurement included."
    ),
    "outside": gettext_lazy(
        "Four corner heights and both side differences were measured on %(day)s and judged by specification "
        "revision %(revision)s, uncertainty of measurement included. Not all heights and differences are within "
        "tolerance."
    ),
    "undecided": gettext_lazy(
        "Four corner heights and both side differences were measured on %(day)s and judged by specification "
        "revision %(revision)s, uncertainty of measurement included."
    ),
}
_CONCESSION_BASES = {
    "within": gettext_lazy(
        "All four corner heights and both side differences, measured on %(day)s, lie within the tolerances of "
        "specification revision %(revision)s about the targets set by concession, uncertainty of measurement included."
    ),
    "outside": gettext_lazy(
        "Four corner heights and both side differences were measured on %(day)s and judged about the targets set by "
        "concession, uncertainty of measurement included. Not all heights and differences are within tolerance."
    ),
    "undecided": gettext_lazy(
        "Four corner heights and both side differences were measured on %(day)s and judged about the targets set by "
        "concession, uncertainty of measurement included."
    ),
}


@dataclass(frozen=True, slots=True)
class Conclusion:
    """A headline and the sentences that explain it."""

    headline: str
    sentences: tuple[str, ...]


def conclude(document: Document) -> Conclusion:
    if document.kind == "certificate":
        return Conclusion(_certificate_headline(document), _certificate_sentences(document))
    return Conclusion(_findings_headline(document), _findings_sentences(document))


def measured_states(document: Document) -> list[tuple[str, HeightState]]:
    """The measurements to show, each under its name; a single one where found and left are the same."""
    found, left = document.as_found, document.as_left
    if found is None or left is None or shows_one_state(document):
        state = left or found
        both = found is not None and left is not None and document.kind == "certificate"
        title = _("As found and as left") if both else _("As found") if found else _("Last measured")
        return [] if state is None else [(title, state)]
    return [
        (_("As found"), found),
        (_("As left") if document.kind == "certificate" else _("Last measured"), left),
    ]


def shows_one_state(document: Document) -> bool:
    """As found and as left are the same measurement by the same targets, or there is only one."""
    found, left = document.as_found, document.as_left
    if found is None or left is None:
        return True
    return found.rounds == left.rounds and _targets(found) == _targets(left)


def _targets(state: HeightState) -> list[float | None]:
    return [state.corners[corner].target_mm for corner in CORNERS if corner in state.corners]


def last_state(document: Document) -> HeightState | None:
    return document.as_left or document.as_found


def corners_with(state: HeightState, verdict: Verdict, *, adjustable: bool | None = None) -> list[Corner]:
    """Corners of the verdict; of those that can be adjusted here, or cannot, where asked for."""
    return [
        corner
        for corner in CORNERS
        if (result := state.corners.get(corner)) is not None
        and result.verdict == verdict
        and adjustable in (None, result.adjustable)
    ]


def _certificate_headline(document: Document) -> str:
    state = last_state(document)
    if state is None or state.verdict is None:
        return _("Heights measured; not judged")
    if state.verdict == "outside":
        return _("Outside tolerance")
    if state.verdict == "undecided":
        return _("The measurement cannot decide; signed off with approval")
    if _stays_out(state, document) or _sides_staying_out(state):
        return _("Within tolerance wherever it can be adjusted")
    return _success_headline(document)


def _success_headline(document: Document) -> str:
    """By which targets, and whether by adjusting, by a repair or without either."""
    if document.concession is not None:
        if document.writes:
            return _("Adjusted: all four corners within tolerance of the concession's targets")
        return _("Within tolerance of the concession's targets; no set-point changed")
    if _repaired(document):
        both = _("Repaired and adjusted: all four corners within tolerance")
        return both if document.writes else _("Repaired: all four corners within tolerance")
    if document.writes:
        return _("Adjusted: all four corners within tolerance")
    return _("Within tolerance and left alone")


def _certificate_sentences(document: Document) -> tuple[str, ...]:
    state = last_state(document)
    sentences = [] if state is None else _verdict_sentences(state, document)
    sentences += _found_sentences(document)
    if not document.writes and state is not None and state.verdict == "within":
        sentences.append(_untouched_sentence(document))
    if document.concession is not None:
        sentences.append(_concession_sentence(document))
    return tuple(sentences)


def _found_sentences(document: Document) -> list[str]:
    """What was wrong on arrival, where it is not the last word: also what was found before a repair."""
    found = document.as_found
    if found is None or shows_one_state(document):
        return []
    outside = corners_with(found, "outside")
    repaired = [corner for corner in outside if found.corners[corner].overtaken_by]
    by_specification = _("Found outside the specification's tolerance: %(places)s.")
    plain = _("Found outside tolerance: %(places)s.") if document.concession is None else by_specification
    groups = (
        (plain, [corner for corner in outside if corner not in repaired]),
        (_("Found outside tolerance before the repair: %(places)s."), repaired),
    )
    sentences = [text % {"places": corner_list(corners)} for text, corners in groups if corners]
    return [*(sentences or _found_side_sentences(found)), *_work_sentences(found)]


def _work_sentences(found: HeightState) -> list[str]:
    """What was done to the vehicle after it was found like that."""
    places: dict[str, list[Corner]] = {}
    for corner in CORNERS:
        if corner in found.corners and found.corners[corner].overtaken_by:
            places.setdefault(found.corners[corner].overtaken_by, []).append(corner)
    text = _("Done since then: %(work)s (%(places)s).")
    whole = _("whole vehicle")
    return [
        text
        % {
            "work": work,
            "places": whole if len(corners) == len(CORNERS) else in_sentence(corner_list(corners)),
        }
        for work, corners in places.items()
    ]


def _repaired(document: Document) -> bool:
    """Not within tolerance when found, and worked on since."""
    found = document.as_found
    if found is None or shows_one_state(document):
        return False
    return found.verdict != "within" and bool(_work_sentences(found))


def _untouched_sentence(document: Document) -> str:
    """Why nothing was written: the vehicle was right, at once or after other work."""
    found = document.as_found
    if shows_one_state(document) or (found is not None and found.verdict == "within"):
        return _("No set-point was changed: adjusting a vehicle that is right makes it worse.")
    return _("No set-point was changed.")


def _found_side_sentences(found: HeightState) -> list[str]:
    """Sides alone can be wrong while no corner is."""
    outside = [axle for axle in AXLES if axle in found.sides and found.sides[axle].verdict == "outside"]
    text = _("Found outside tolerance: difference between left and right, %(axles)s.")
    return [text % {"axles": _axle_list(outside)}] if outside else []


def _verdict_sentences(state: HeightState, document: Document) -> list[str]:
    sentences = [_basis_sentence(state, document)]
    undecided = corners_with(state, "undecided", adjustable=True)
    if undecided:
        text = _("The measurement cannot decide whether these corners are within tolerance: %(corners)s.")
        sentences.append(text % {"corners": corner_list(undecided)})
    outside = corners_with(state, "outside", adjustable=True)
    if outside:
        sentences.append(_("Outside tolerance: %(corners)s.") % {"corners": corner_list(outside)})
    stays_out = _stays_out(state, document)
    if stays_out:
        text = _("Not within tolerance and not adjustable here: %(corners)s. See what to do next.")
        sentences.append(text % {"corners": corner_list(stays_out)})
    sides = _sides_staying_out(state)
    if sides:
        text = _("Not within tolerance and not adjustable here: difference between left and right, %(axles)s.")
        sentences.append(text % {"axles": _axle_list(sides)})
    return sentences


def _stays_out(state: HeightState, document: Document) -> list[Corner]:
    """Corners that are not within tolerance and that this job could not change."""
    fixed = {corner for corner, result in state.corners.items() if not result.adjustable}
    fixed.update(document.not_adjustable_here)
    return [
        corner
        for corner in CORNERS
        if corner in fixed and corner in state.corners and state.corners[corner].verdict in ("outside", "undecided")
    ]


def _sides_staying_out(state: HeightState) -> list[Axle]:
    """Axles whose sides differ, or may differ, by more than they may, and that no set-point evens out."""
    return [
        axle
        for axle in AXLES
        if axle in state.sides
        and not state.sides[axle].adjustable
        and state.sides[axle].verdict not in ("within", None)
    ]


def _axle_list(axles: Iterable[Axle]) -> str:
    return ", ".join(axle_name(axle).lower() for axle in axles)


def _basis_sentence(state: HeightState, document: Document) -> str:
    """Which results, which specification (ISO/IEC 17025 7.8.6 a, b)."""
    display = Display.of(document)
    if document.specification is None:
        text = _("Four corner heights were measured on %(day)s; no specification was at hand to judge them by.")
        return text % {"day": display.day(state.taken_at)}
    stays_out = _stays_out(state, document) or _sides_staying_out(state)
    base = "undecided" if stays_out else state.verdict or "undecided"
    bases = _BASES if document.concession is None else _CONCESSION_BASES
    return str(bases[base]) % {
        "day": display.day(state.taken_at),
        "revision": document.specification.revision,
    }


def _concession_sentence(document: Document) -> str:
    concession, display = document.concession, Display.of(document)
    if concession is None:
        return ""
    text = _(
        "By concession the targets were front %(front)s and rear %(rear)s instead of the specification's, "
        "acknowledged by %(name)s."
    )
    return text % {
        "front": display.length_with_unit(concession.front_target_mm),
        "rear": display.length_with_unit(concession.rear_target_mm),
        "name": concession.acknowledged_by,
    }


def _findings_headline(document: Document) -> str:
    if document.job.state != "reverted":
        return _("Adjustment not completed")
    if document.job.reason == "reversion":
        return _("Returned to the earlier set-points")
    return _("Returned to the set-points found; adjustment not completed")


def _findings_sentences(document: Document) -> tuple[str, ...]:
    sentences = []
    if document.ending is not None:
        reason = _("Why the job ended: %(reason)s") % {"reason": document.ending.reason}
        sentences.append(reason if reason.endswith((".", "!", "?")) else f"{reason}.")
    state = last_state(document)
    if state is None:
        sentences.append(_unjudged_sentence(document))
    else:
        sentences += [*_found_sentences(document), *_verdict_sentences(state, document)]
    if document.writes:
        sentences.append(_("Set-points were changed during this job; the last ones read are listed below."))
    if state is not None and document.as_left is None:
        text = _("After that set-points were written or other work was done, and the heights were not measured again.")
        sentences.append(text)
    return tuple(sentences)


def _unjudged_sentence(document: Document) -> str:
    if not document.rounds:
        return _("No heights were measured.")
    if document.specification is None:
        return _("Heights were measured; no specification was at hand to judge them by.")
    return _("Heights were measured but could not be judged.")

"""The rules' codes in words: what was found, which limit it was, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.looks.corners import corner_name

from . import leak_texts
from .limit_texts import limit_text
from .notation import shown

FINDINGS = {
    "pair_disagrees": gettext_lazy(
        "%(corner)s: the readings differ by %(range_mm)s mm; repeated readings may differ by at most %(limit_mm)s mm. "
        "Read this corner again."
    ),
    "rounds_disagree": gettext_lazy(
        "%(corner)s: this round gives %(value_mm)s mm, those before it %(before_mm)s mm, with the same set-points. "
        "They may differ by %(limit_mm)s mm. Look for what moved the vehicle, such as a load or a leak, and whether "
        "this corner was misread."
    ),
    "large_warp": gettext_lazy(
        "The heights are twisted by %(warp_mm)s ± %(expanded_uncertainty_mm)s mm, more than %(limit_mm)s mm. "
        "Check floor, tyres and links and measure again before adjusting."
    ),
    "floor_not_level": gettext_lazy(
        "The floor of this bay is not level: by itself it would show a twist of %(floor_warp_mm)s mm."
    ),
    "leave_alone": gettext_lazy("Everything is within tolerance. Leave it alone: adjusting now would make it worse."),
    "not_adjustable_here": gettext_lazy(
        "%(place)s cannot be brought within tolerance by changing set-points. It needs follow-up work."
    ),
    "odometer_lower": gettext_lazy(
        "The odometer stands at %(odometer_km)s km, below the %(before_km)s km recorded before."
    ),
    "time_assumed": gettext_lazy(
        "Only the day was noted, %(day_on)s. The time, %(time_of_day)s (%(time_zone)s), was assumed when it was "
        "imported; nobody read it off a clock."
    ),
    "not_judged_yet": gettext_lazy(
        "No specification of the vehicle model is in force on the day of this check, %(day_on)s, so its heights are "
        "shown without a verdict. They tell nothing of drift, nor of when the next check is due. Where the same "
        "figures held then, a manager records a revision of the specification that is in force from that day or an "
        "earlier one; it judges this check as soon as it is on record."
    ),
    "judged_later": gettext_lazy(
        "When this check was recorded, no specification of the vehicle model was in force on its day, %(day_on)s. It "
        "is judged by revision %(revision)s, in force from %(effective_on)s and known for this vehicle since "
        "%(known_at)s."
    ),
    "height_not_confirmed": gettext_lazy(
        "%(corner)s: %(height_mm)s mm is far from the target of %(target_mm)s mm, which was not known when it was "
        "recorded, so that nobody was asked whether it is right. The check tells nothing of drift before that is "
        "clear. Strike the reading out and replace it by the right height, or by the same one, confirmed."
    ),
    "measured_before_readiness": gettext_lazy(
        "This round was measured before the vehicle was checked to be ready. It counts, but a proposal and the "
        "sign-off wait for the check; where something turns out not to be ready, measure again after it is."
    ),
    "tyres_not_recorded": gettext_lazy(
        "The job was opened for a tyre change, but no other tyres are on record since. Record the tyres now fitted: "
        "rolling circumference, load capacity and ground clearance follow from them."
    ),
    "noted_out_of_order": gettext_lazy(
        "This was noted for %(happened_at)s, but with its set-points it cannot have come before what was recorded for "
        "%(later_at)s. So it counts from its arrival at %(recorded_at)s, and only what is measured after it shows its "
        "heights."
    ),
    "setpoints_changed_elsewhere": gettext_lazy(
        "%(corner)s: the set-point read is %(read)s, but %(expected)s was expected. "
        "Somebody changed it in between, or one of the two was misread. Where that was the first count ever read here, "
        "a manager resets the corner's baseline, from which shift limits count."
    ),
    "clock_wrong": gettext_lazy(
        "The time %(happened_at)s cannot be right: the job opened at %(opened_at)s and this was received at "
        "%(recorded_at)s. Check the tablet's clock."
    ),
    "instrument_overdue": gettext_lazy(
        "Instrument %(serial)s was measured with after its calibration ran out (%(calibration_due_on)s)."
    ),
    "instrument_withdrawn": gettext_lazy("Instrument %(serial)s was measured with although it had been withdrawn."),
    "setpoint_out_of_range": gettext_lazy(
        "%(corner)s: set-point %(read)s lies outside %(low)s to %(high)s. Read it again from the control unit."
    ),
    "linked_setpoints_differ": gettext_lazy(
        "The set-points %(read)s and %(other)s differ although these corners share one. Read them again."
    ),
    "setpoints_incomplete": gettext_lazy(
        "The set-points are not those of the controlled corners (see %(corners)s). Read them again."
    ),
    "write_without_proposal": gettext_lazy(
        "This was written without a proposal, so no limit was checked before, and there is nothing to compare the "
        "read-back with."
    ),
    "write_of_refused_proposal": gettext_lazy("This was written although the proposal had been refused."),
    "write_of_unapproved_proposal": gettext_lazy("This was written although the proposal had not been approved."),
    "write_of_superseded_proposal": gettext_lazy("This was written from a proposal that no longer stood."),
    "write_not_verified": gettext_lazy("%(corner)s: %(wanted)s was to be stored, but %(read)s was read back."),
    "writes_conflict": gettext_lazy(
        "Two writes of the same proposal disagree. Find out what is stored and measure again."
    ),
    "repeats_earlier_record": gettext_lazy(
        "This is the record of %(happened_at)s sent once more: everything read is the same, and the time too or less "
        "than measuring takes away from it. It stays on record and is not counted a second time, whatever is ruled. "
        "What was measured anew needs a round of its own."
    ),
    "recorded_after_close": gettext_lazy("This arrived after the job was closed."),
    "no_specification": gettext_lazy(
        "The vehicle model has no specification in force, so nothing can be judged or proposed. A manager must add one."
    ),
    "limits_exhausted": gettext_lazy("%(place)s would need a change that a limit forbids."),
    "tyre_not_listed": gettext_lazy(
        "%(corner)s: %(size)s is not among the sizes that the specification lists: %(listed)s."
    ),
    "load_capacity_low": gettext_lazy(
        "%(corner)s: the tyre may carry %(capacity_kg)s kg, half of the axle load is %(half_load_kg)s kg. "
        "Fit tyres that may carry it, or have the right load data recorded."
    ),
    "corner_not_responding": gettext_lazy(
        "%(corner)s did not respond: a move of %(expected_move_mm)s mm was expected and %(observed_move_mm)s mm seen. "
        "Look at sensor, linkage and air supply."
    ),
    "corner_reversed": gettext_lazy(
        "%(corner)s moved the wrong way: %(expected_move_mm)s mm was expected and %(observed_move_mm)s mm seen. "
        "Look at how the sensor is fitted."
    ),
    "corner_weak": gettext_lazy(
        "%(corner)s responds weakly: a move of %(expected_move_mm)s mm was expected and %(observed_move_mm)s mm seen. "
        "Look at linkage, damper and air supply."
    ),
    **leak_texts.FINDINGS,
}

VARIANTS = {
    ("pair_disagrees", "median"): gettext_lazy(
        "%(corner)s: the %(readings)s readings differ by %(range_mm)s mm; so many may differ by at most "
        "%(limit_mm)s mm. Their median counts."
    ),
    ("setpoint_out_of_range", "setpoint_range"): gettext_lazy(
        "%(corner)s: the control unit cannot hold set-point %(read)s, only %(low)s to %(high)s, so it was misread or "
        "mistyped. Read it again from the control unit."
    ),
    ("setpoint_out_of_range", "band"): gettext_lazy(
        "%(corner)s: set-point %(read)s lies outside the band that the specification allows on this axle, %(low)s to "
        "%(high)s. It was misread, or somebody stored it. Read it again from the control unit; where it is right, look "
        "for what needs so much."
    ),
    ("clock_wrong", "height_check"): gettext_lazy(
        "The time %(happened_at)s cannot be right: this was received at %(recorded_at)s, and counts from then. Check "
        "the clock of the device."
    ),
    ("repeats_earlier_record", "height_check"): gettext_lazy(
        "This is the height check of %(happened_at)s sent once more: everything read is the same, and the time is too. "
        "It stays on record and is not counted a second time."
    ),
    **leak_texts.VARIANTS,
}
"""By the estimator, or by the rule that is broken; findings of an earlier version name none."""

FURTHER = {
    "expected": gettext_lazy("Expected was %(expected)s."),
    "beyond": gettext_lazy("It goes further than any proposal may: %(beyond)s."),
}
"""What is added to some findings where they have the value of that name."""
SAYING_FURTHER = frozenset({"setpoint_out_of_range", "write_without_proposal"})
UNKNOWN_FINDING = gettext_lazy("This was found by another version of the service, which has words for it.")

STEPS = {
    "check_readiness": gettext_lazy("Check that the vehicle is ready; what fails must be mended first."),
    "measure": gettext_lazy("Measure every corner twice and read the stored set-points."),
    "read_again": gettext_lazy("Read these corners again from the same marks."),
    "propose": gettext_lazy("Ask for a proposal."),
    "get_approval": gettext_lazy("Another person must decide before this goes on."),
    "write": gettext_lazy("Write the proposed set-points, read them back and record both."),
    "settle_and_measure": gettext_lazy(
        "Raise the suspension, let it come back down to normal, then measure every corner again."
    ),
    "inspect": gettext_lazy(
        "Stop adjusting. Look at the vehicle and at the findings, then record what was mended, have a manager rule, "
        "go back, or end the job."
    ),
    "sign_off": gettext_lazy("The work is complete. Sign off over what is shown."),
    "paused": gettext_lazy("The job is paused. Resume it when the work goes on."),
    "done": gettext_lazy("Nothing is left to do in this job; its document follows."),
}

INSPECTIONS = {
    "no_specification": gettext_lazy("A manager adds a specification for the vehicle model, or the job is ended."),
    "approval_refused": gettext_lazy(
        "Measure another round, enter another proposal by hand, record what was mended on the vehicle, or end the job."
    ),
    "write_not_verified_twice": gettext_lazy(
        "Check the connection to the control unit. Then measure another round with the set-points now stored, record "
        "what was mended, go back, or end the job."
    ),
    "setpoints_incomplete": gettext_lazy(
        "Find out why the set-points of all controlled corners cannot be read. Then measure another round with them, "
        "or end the job."
    ),
    "load_capacity_low": gettext_lazy(
        "Fit tyres that may carry the load and record them, or have the right load data recorded; else end the job."
    ),
    "finding_rejected": gettext_lazy(
        "Record what was mended and measure again, go back to the set-points as found, or end the job. The manager "
        "may also rule anew."
    ),
    "limits_exhausted": gettext_lazy(
        "Look for what makes the corner need so much and record what was mended; have a manager rule, after which a "
        "proposal may be entered by hand; ask for a concession; go back; or end the job."
    ),
    "too_many_writes": gettext_lazy(
        "Look for what keeps the heights from settling and record what was mended; or enter another proposal by hand, "
        "go back, or end the job."
    ),
    "sign_off_refused": gettext_lazy(
        "Record what was mended, enter another proposal by hand, measure another round, go back, or end the job."
    ),
    **leak_texts.INSPECTIONS,
}
"""What leads on from an inspection, by its reason."""

REASONS = {
    "readiness_failed": gettext_lazy("A readiness item failed; it must be mended, or the job ended."),
    "readiness_missing": gettext_lazy("Not every readiness item has been checked."),
    "readiness_lapsed_by_event": gettext_lazy(
        "Check readiness again, because something on the vehicle was worked on since it was checked."
    ),
    "readiness_lapsed_by_resumption": gettext_lazy(
        "Check readiness again, because the job was interrupted and something was, or may have been, changed meanwhile."
    ),
    "no_specification": gettext_lazy("There is no specification to judge by; a manager must add one."),
    "approval_refused": gettext_lazy("The approval was refused."),
    "concession": gettext_lazy("A concession waits for its approval."),
    "proposal": gettext_lazy("A proposal is open."),
    "write_not_verified": gettext_lazy("What was read back is not what was to be stored."),
    "write_not_verified_twice": gettext_lazy("Twice what was read back was not what was to be stored."),
    "written": gettext_lazy("Set-points were written."),
    "after_start": gettext_lazy("Nothing has been measured yet."),
    "after_event": gettext_lazy("Something on the vehicle was worked on since the last measurement."),
    "after_tyres": gettext_lazy("Other tyres were fitted since the last measurement."),
    "after_resumption": gettext_lazy("The job was interrupted since the last measurement."),
    "after_setpoints": gettext_lazy("The set-points changed since the last measurement."),
    "after_ride_position": gettext_lazy("The last measurement was not at the normal ride position."),
    "setpoints_incomplete": gettext_lazy(
        "The set-points on record cannot be right: one is missing, belongs to a corner that is not controlled, differs "
        "within a linked pair, or is outside what the control unit can hold. Read them again with a new round."
    ),
    "load_capacity_low": gettext_lazy("The tyres fitted may carry less than the axle load."),
    "rulings_missing": gettext_lazy("Findings wait for a manager's ruling."),
    "finding_rejected": gettext_lazy("A manager let a finding stand."),
    "rounds_disagree": gettext_lazy(
        "The last round contradicts what was measured before it: one more shows which to doubt."
    ),
    "tape_cannot_decide": gettext_lazy("Measuring with a tape cannot decide this tolerance."),
    "undecided_approved": gettext_lazy("Sign-off with undecided corners was approved."),
    "sign_off_refused": gettext_lazy("Sign-off with undecided corners was refused."),
    "pair_disagrees": gettext_lazy("Readings at a corner disagree."),
    "readings_can_decide": gettext_lazy("A few more readings can decide."),
    "round_can_decide": gettext_lazy("Not decided yet. Rounds count together: one more tells more than those so far."),
    "confirm_suspicion": gettext_lazy(
        "A corner did not move as expected; one more settled round shows whether that is so."
    ),
    "suspicion_confirmed": gettext_lazy("A corner does not respond as it should."),
    "corner_not_responding": gettext_lazy("A corner did not move when its set-point was changed."),
    "corner_reversed": gettext_lazy("A corner moved the wrong way when its set-point was changed."),
    "corner_weak": gettext_lazy("A corner moved much less than its set-point was changed for."),
    **leak_texts.REASONS,
    "outside": gettext_lazy("A corner is outside tolerance."),
    "side_difference_outside": gettext_lazy("Left and right differ by more than they may."),
    "undecided_but_improvable": gettext_lazy("A small change would bring the heights nearer to target."),
    "limits_exhausted": gettext_lazy("A limit forbids the change that would be needed."),
    "too_many_writes": gettext_lazy("Six writes were not enough; something else is wrong."),
    "all_within": gettext_lazy("Every corner is within tolerance, the uncertainty accounted for."),
    "reversion": gettext_lazy("The set-points are on their way back."),
    "reversion_interrupted": gettext_lazy("Something came between on the way back; measure where it stands now."),
    "paused": gettext_lazy("The work is interrupted."),
    "signed_off": gettext_lazy("The job is signed off."),
    "ended": gettext_lazy("The job was ended."),
    "reverted": gettext_lazy("The earlier set-points are stored and measured."),
    "reversion_asked": gettext_lazy("This job is to bring back the set-points of an earlier one."),
    "reversion_arrived": gettext_lazy("The earlier set-points are stored again."),
}

CONCESSION = gettext_lazy(
    "For this job the targets are to be %(front_mm)s mm in front and %(rear_mm)s mm at the rear, because: %(reason)s. "
    "Acknowledged for the operator by %(acknowledged_by)s on %(acknowledged_on)s."
)
"""What a request for a concession asks for."""

LIMIT_ADVICE = {
    "setpoint_range": gettext_lazy("Enter set-points that the control unit can hold."),
    "band": gettext_lazy("Enter set-points inside the band; where that is not enough, look for what is wrong there."),
    "step": gettext_lazy("Enter smaller changes and come back to the rest after the next round."),
    "shift_limit": gettext_lazy(
        "Enter set-points nearer to the baseline and look for what makes the corner need so much; a manager may reset "
        "a baseline that no longer holds."
    ),
    "warp_change": gettext_lazy("Enter changes that twist the body less."),
    "suspect_corner": gettext_lazy("Leave that corner, or record what was mended there and measure again."),
}
"""What to do about a limit that refuses a proposal."""

UNIT_SLIPS = {
    "inch": gettext_lazy("It looks like inches; heights are in millimetres."),
    "centimetre": gettext_lazy("It looks like centimetres; heights are in millimetres."),
    "metre": gettext_lazy("It looks like metres; heights are in millimetres."),
}

FOLLOW_UPS = {
    "headlamp_aim": gettext_lazy("Check the headlamp aim."),
    "wheel_alignment": gettext_lazy("Check the wheel alignment."),
    "driver_assistance": gettext_lazy("Check the cameras and sensors of the driver-assistance systems."),
}

READINESS_ITEMS = {
    "fault_memory": gettext_lazy("no stored faults"),
    "leakage": gettext_lazy("no leak"),
    "floor": gettext_lazy("level floor"),
    "measuring_condition": gettext_lazy("loaded as the specification says"),
    "doors": gettext_lazy("doors closed, nobody aboard"),
    "power": gettext_lazy("engine running or supply held"),
    "reservoir": gettext_lazy("reservoir filled"),
    "ride_position": gettext_lazy("normal ride position"),
    "tyre_pressures": gettext_lazy("tyre pressures set"),
    "steering_straight": gettext_lazy("steering straight"),
    "secured": gettext_lazy("secured against rolling"),
}

AXLES = {"front": gettext_lazy("The front side difference"), "rear": gettext_lazy("The rear side difference")}


def finding_detail(code: str, corner: str | None, values: Mapping[str, Any]) -> str:
    """A finding in a sentence: what it is about and what to do."""
    named = corner_name(corner) if corner else ""
    place = named or AXLES.get(str(values.get("axle", "")), _("The vehicle"))
    values_shown = shown({"corner": named or _("vehicle"), "place": place, **values, "beyond": _beyond(values)})
    variant = VARIANTS.get((code, str(values.get("rule", values.get("estimator")))))
    sentences = [variant or FINDINGS.get(code, UNKNOWN_FINDING)]
    if code in SAYING_FURTHER:
        sentences += [text for name, text in FURTHER.items() if values.get(name) is not None]
    return " ".join(str(text) % values_shown for text in sentences)


def _beyond(values: Mapping[str, Any]) -> str:
    """The limits that a write without a proposal went beyond, corner by corner."""
    found = values.get("beyond", ())
    return "; ".join(
        f"{corner_name(each['corner'])}: {limit_text(each['code'], each['value'], each['limit'])}" for each in found
    )


def step_text(step: str, reason: str = "") -> str:
    """What to do at a step; at an inspection what leads on from the reason for it."""
    return str(INSPECTIONS.get(reason, STEPS[step]) if step == "inspect" else STEPS[step])


def reason_text(reason: str) -> str:
    """Why the next step is what it is."""
    return str(REASONS[reason])


RECORD_CHANGED = gettext_lazy(
    "The record changed since it was shown. Fetch it, look at it again, and sign or decide over what stands now."
)

"""Codes of the record in words for the customer, and the sentences that every certificate carries."""

from __future__ import annotations

from collections.abc import Mapping

from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

_KIND_TITLES = {"certificate": pgettext_lazy("document", "Certificate"), "findings_report": _("Findings report")}
_KINDS_IN_SENTENCES = {"certificate": _("certificate"), "findings_report": _("findings report")}
REASONS = {
    "sensor_replaced": _("Height sensor replaced"),
    "control_unit_replaced": _("Control unit replaced"),
    "spring_replaced": _("Spring replaced"),
    "tyre_change": _("Tyres changed"),
    "collision_repair": _("Repair after a collision"),
    "complaint": _("Complaint"),
    "routine": _("Routine check"),
    "reversion": _("Return to earlier set-points"),
}
SOURCE_KINDS = {
    "manufacturer": _("Manufacturer"),
    "own_measurements": _("Workshop's own measurements"),
    "operator": _("Operator"),
}
INSTRUMENT_KINDS = {"tape": _("Tape measure"), "rule": _("Rule"), "laser": _("Laser distance meter")}
RIDE_POSITIONS = {
    "normal": _("normal"),
    "raised": _("raised"),
    "lowered": _("lowered"),
    "loading": _("loading"),
}
READINESS_ITEMS = {
    "fault_memory": _("Stored faults"),
    "leakage": _("Leak check"),
    "floor": _("Level of the floor"),
    "measuring_condition": _("Measuring condition"),
    "doors": _("Doors closed, nobody aboard"),
    "power": _("Engine running or supply held"),
    "reservoir": _("Reservoir filled"),
    "ride_position": _("Normal ride position"),
    "tyre_pressures": _("Tyre pressures set"),
    "steering_straight": _("Steering straight"),
    "secured": _("Secured against rolling"),
}
READINESS_OUTCOMES = {
    "fail": _("FAILED"),
    "not_done": _("NOT CHECKED"),
    "pass": _("Passed"),
    "not_applicable": _("Does not apply"),
}
"""In the order in which they are told."""
EVENTS = {
    "sensor_replaced": _("Height sensor replaced"),
    "control_unit_replaced": _("Control unit replaced"),
    "spring_replaced": _("Spring replaced"),
    "damper_replaced": _("Damper replaced"),
    "linkage_repaired": _("Sensor linkage repaired"),
    "leak_repaired": _("Leak repaired"),
    "alignment": _("Wheel alignment set"),
    "collision": _("Collision"),
    "other": _("Other work"),
}
EVENTS_IN_SENTENCES = {
    "sensor_replaced": _("height sensor replaced"),
    "control_unit_replaced": _("control unit replaced"),
    "spring_replaced": _("spring replaced"),
    "damper_replaced": _("damper replaced"),
    "linkage_repaired": _("sensor linkage repaired"),
    "leak_repaired": _("leak repaired"),
    "alignment": _("wheel alignment set"),
    "collision": _("collision"),
    "other": _("other work"),
}
"""Each language has its own rule for which of these words begin small."""
FOLLOW_UPS = {
    "headlamp_aim": _("Have the headlamp aim checked."),
    "wheel_alignment": _("Have the wheel alignment checked."),
    "driver_assistance": _("Have driver-assistance cameras and sensors checked and set."),
    "not_adjustable_here": _(
        "Not within tolerance, and no set-point can change it: have springs and mountings checked."
    ),
}
FIGURES_ABOVE_GROUND = {
    "ground_clearance_mm": _("ground clearance"),
    "headlamp_height_mm": _("headlamps above ground"),
    "static_stability_factor": _("static stability factor T/2h (lower: tips over sooner)"),
    "approach_deg": _("approach angle, at least"),
    "departure_deg": _("departure angle, at least"),
    "breakover_deg": _("ramp breakover angle"),
}
"""Of the body on its wheels, in the order in which they are told."""
PROPOSAL_KINDS = {
    "computed": _("computed proposal"),
    "entered": _("proposal entered by hand"),
    "reversion": _("return to earlier set-points"),
}
NO_PROPOSAL = _("no proposal")
APPROVAL_SUBJECTS = {
    "proposal": _("Set-point proposal"),
    "concession": _("Concession"),
    "sign_off": _("Sign-off with an undecided corner"),
}
APPROVAL_DECISIONS = {"approve": _("approved"), "refuse": _("refused")}
RULING_DECISIONS = {"accept": _("accepted"), "reject": pgettext_lazy("of a finding", "not accepted")}
SIGNATURE_MEANINGS = {
    "work_complete": _("The work is complete"),
    "approval": _("Approved"),
}
ROLES = {"technician": _("technician"), "manager": _("manager"), "deputy": _("manager's deputy")}
FINDINGS = {
    "pair_disagrees": _("Readings of a pair disagree"),
    "large_warp": _("Heights are twisted across the diagonal"),
    "floor_not_level": _("Floor not level"),
    "corner_not_responding": _("Corner does not respond"),
    "corner_reversed": _("Corner responds backwards"),
    "corner_weak": _("Corner responds weakly"),
    "rounds_disagree": _("Rounds contradict each other"),
    "leave_alone": _("Left alone: within tolerance"),
    "not_adjustable_here": _("Cannot be adjusted here"),
    "setpoints_changed_elsewhere": _("Set-points were changed elsewhere"),
    "clock_wrong": _("Recorded with a wrong clock"),
    "instrument_overdue": _("Instrument overdue for calibration"),
    "instrument_withdrawn": _("Withdrawn instrument used"),
    "setpoint_out_of_range": _("Set-point out of range"),
    "linked_setpoints_differ": _("Set-points that must be equal differ"),
    "setpoints_incomplete": _("Set-points not those of the controlled corners"),
    "write_without_proposal": _("Written without a proposal"),
    "write_of_refused_proposal": _("Refused proposal was written"),
    "write_of_unapproved_proposal": _("Unapproved proposal was written"),
    "write_of_superseded_proposal": _("Superseded proposal was written"),
    "write_not_verified": _("Read-back differs from what was to be written"),
    "writes_conflict": _("Conflicting writes"),
    "measured_before_readiness": _("Measured before the vehicle was ready"),
    "tyres_not_recorded": _("No tyres recorded after a tyre change"),
    "noted_out_of_order": _("Noted out of order"),
    "repeats_earlier_record": _("Record received twice"),
    "recorded_after_close": _("Recorded after the job was closed"),
    "leak_outside": _("Leak above the limit"),
    "leak_undecided": _("Leak test undecided"),
    "leak_test_disturbed": _("Leak test disturbed"),
    "leak_corner_rose": _("Corner rose during a leak test"),
    "limits_exhausted": _("Limits leave no further adjustment"),
    "no_specification": _("No specification for this vehicle"),
    "odometer_lower": _("Odometer lower than before"),
    "time_assumed": _("Time of day assumed"),
    "not_judged_yet": _("No specification in force when it was measured"),
    "judged_later": _("Judged by a specification recorded later"),
    "height_not_confirmed": _("Height far from target, not confirmed"),
    "tyre_not_listed": _("Tyres not on the specification's list"),
    "load_capacity_low": _("Tyre load capacity below the axle load"),
}
FINDING_STATUSES = {"note": pgettext_lazy("severity", "note"), "open": _("OPEN"), "settled": _("settled")}
COMPONENTS = {
    "repeatability": _("Repeatability of the readings"),
    "settling": _("Settling of the suspension"),
    "resolution": _("Resolution of the scale"),
    "mark_placement": _("Placement of the marks"),
    "instrument": _("Accuracy of the instrument"),
}
ALTERED_HEIGHT_CAUTION = _(
    "Heights other than the manufacturer's change handling, braking, rollover stability, headlamp aim, "
    "driver-assistance sensors, tyre wear and fuel use, and may breach local law."
)
CAUTIONS = (
    _(
        "While measuring, keep head and hands out of the gap between tyre and arch: the vehicle can suddenly "
        "drop or rise. Nobody opens a door or leans on it."
    ),
    _("While the suspension settles everyone stands clear, and nobody is in the pit."),
    _("Never go under a vehicle held only by its suspension. Secure it against rolling."),
    _("A running engine needs ventilation. Pressure in the system can injure."),
    ALTERED_HEIGHT_CAUTION,
    _("Follow the manufacturer's procedure and local regulations; work by qualified persons only."),
)
CONCESSION_CAUTION = _(
    "This vehicle was set to heights other than its specification's. Handling, braking, rollover "
    "stability, headlamp aim, driver-assistance sensors, tyre wear and fuel use may differ, and local "
    "law may not allow it."
)
SCOPE = _(
    "This document states what was measured and done. The results concern only the vehicle named here, "
    "in the condition and at the time stated. It claims no roadworthiness and no laboratory "
    "accreditation."
)
METHOD = _(
    "Height: vertical distance from the hub centre to the marked point of the wheel arch directly above, "
    "at least two readings a corner from the same marks, suspension settled at its normal ride position. "
    "Rounds with unchanged set-points are pooled."
)
DECISION_RULE = _(
    "Decision rule: a result is within tolerance only if its whole uncertainty interval (deviation ± U) "
    "lies inside the tolerance, outside only if the whole interval lies beyond it, and otherwise "
    "undecided (guard band equal to U, applied to unrounded values)."
)
UNCERTAINTY_IN_SHORT = _(
    "Each figure is followed by its uncertainty (±): the true value lies within that range with a probability of about "
    "95 %; undecided means that this range reaches across the limit of the tolerance."
)
UNCERTAINTY = _(
    "U is the expanded uncertainty of the mean settled height at a level of confidence of about 95 % "
    "(JCGM 100), the standard uncertainty multiplied by the coverage factor k."
)
TRACEABILITY = _("Heights are traceable through the calibration certificate stated for each instrument.")
NO_TRACEABILITY = _(
    "No calibration certificate number is on record for %(instruments)s: the traceability of heights measured with it "
    "is not shown by this document."
)
ATTITUDE = (
    ("heave_mm", _("Heave"), _("the whole body high (+) or low (−)")),
    ("pitch_mm", _("Pitch"), _("the front high (+) or low (−) against the rear")),
    ("roll_mm", _("Roll"), _("the left side high (+) or low (−) against the right")),
    ("warp_mm", _("Warp"), _("twist: front left and rear right high (+) or low (−) against the other two")),
)
"""The parts of the body's attitude, each with what it tells."""


def wording(words: Mapping[str, object], code: str) -> str:
    """The words for a code; a code from a later release is shown as it is, without underscores."""
    return str(words[code]) if code in words else code.replace("_", " ").capitalize()


def kind_title(kind: str) -> str:
    return str(_KIND_TITLES[kind])


def kind_in_sentence(kind: str) -> str:
    return str(_KINDS_IN_SENTENCES[kind])

"""Codes of the work in the words of pages."""

from __future__ import annotations

from typing import Final

from django.utils.translation import gettext_lazy as _

STEPS: Final = {
    "check_readiness": _("Readiness to be checked"),
    "measure": _("To be measured"),
    "read_again": _("Readings to be repeated"),
    "propose": _("A proposal is to be made"),
    "get_approval": _("Waits for a decision"),
    "write": _("Set-points to be written"),
    "settle_and_measure": _("To settle and be measured again"),
    "inspect": _("Stopped: to be looked at"),
    "sign_off": _("Ready to be signed off"),
    "paused": _("Paused"),
    "done": _("Closed"),
}
"""Where a job stands, in a few words."""
SUBJECTS: Final = {
    "proposal": _("Set-points beyond what one person decides"),
    "concession": _("Target heights other than the specification's"),
    "sign_off": _("Sign-off with an undecided corner"),
}
APPROVAL_STATES: Final = {
    "open": _("waits for a decision"),
    "approved": _("approved"),
    "refused": _("refused"),
    "void": _("overtaken before a decision"),
}
LIMITS: Final = {
    "setpoint_range": _("Range of the control unit"),
    "band": _("Band of the corner"),
    "step": _("Largest step"),
    "shift_review": _("Shift from the baseline, to be looked at"),
    "shift_limit": _("Shift from the baseline, at most"),
    "warp_change": _("Twist of the body"),
    "not_significant": _("Nothing significant to correct"),
    "away_from_target": _("Away from its target"),
    "suspect_corner": _("Corner under suspicion"),
    "found_in_doubt": _("As-found count in doubt"),
}
LIMIT_OUTCOMES: Final = {"pass": _("kept"), "review": _("needs approval"), "refuse": _("exceeded")}
CHANGES_OF_ATTITUDE: Final = {
    "heave_change_mm": (_("The whole body up"), _("The whole body down")),
    "pitch_change_mm": (_("Front higher against the rear"), _("Front lower against the rear")),
    "roll_change_mm": (_("Left side higher against the right"), _("Left side lower against the right")),
    "warp_change_mm": (
        _("Twist: front left and rear right higher"),
        _("Twist: front left and rear right lower"),
    ),
}
"""What a proposal does to the body, by member of its `consequences`: words for up and for down."""
FIGURES_ABOVE_GROUND: Final = {
    "ground_clearance_mm": _("Ground clearance"),
    "headlamp_height_mm": _("Headlamps above ground"),
    "static_stability_factor": _("Static stability factor T/2h (lower: tips over sooner)"),
    "approach_deg": _("Approach angle, at least"),
    "departure_deg": _("Departure angle, at least"),
    "breakover_deg": _("Ramp breakover angle"),
}
"""Of the body on its wheels, by member of `consequences`; known where the specification gives the lengths."""
RULINGS: Final = {"accept": _("accepted: it no longer blocks"), "reject": _("rejected: it stands")}
SEVERITIES: Final = {"note": _("Note"), "review": _("To be ruled on"), "stop": _("Stop")}

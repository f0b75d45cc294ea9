"""A proposal's codes in words: why a corner moves or stands, and where the expected responses come from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext_lazy, ngettext_lazy

from .notation import COUNTED, shown

CORNER_REASONS = {
    "moves_towards_target": gettext_lazy(
        "moves %(expected_change_mm)s mm because it is %(deviation_mm)s mm from its target"
    ),
    "moves_for_side_difference": gettext_lazy(
        "moves %(expected_change_mm)s mm to even out left and right, which differ by %(side_difference_mm)s mm on this "
        "axle; by itself it is %(deviation_mm)s mm from its target"
    ),
    "moves_for_warp": gettext_lazy(
        "moves %(expected_change_mm)s mm to take out the twist of the body (%(warp_mm)s mm); by itself it is "
        "%(deviation_mm)s mm from its target"
    ),
    "moves_for_the_whole": gettext_lazy(
        "moves %(expected_change_mm)s mm because all four are then most likely to be right; by itself it is "
        "%(deviation_mm)s mm from its target"
    ),
    "moves_with_linked_corner": gettext_lazy("moves with the corner that shares its set-point"),
    "stopped_by_setpoint_range": gettext_lazy("stopped at the end of the set-point range (%(limit_counts)s)"),
    "stopped_by_band": gettext_lazy("stopped at the edge of its band (%(limit_counts)s)"),
    "stopped_by_step": ngettext_lazy(
        "goes as far as one step may (%(limit_counts)s count); more follows in the next write",
        "goes as far as one step may (%(limit_counts)s counts); more follows in the next write",
        COUNTED,
    ),
    "stopped_by_shift_limit": gettext_lazy("stopped at the limit of the shift from its baseline (%(limit_counts)s)"),
    "stopped_by_warp_change": gettext_lazy("held back so that the body is not twisted by more than %(limit_mm)s mm"),
    "stays_nothing_significant": gettext_lazy(
        "stays: its deviation of %(deviation_mm)s mm is within what a tape can tell"
    ),
    "stays_best_unmoved": gettext_lazy("stays: every whole count would make it worse"),
    "stays_suspect": gettext_lazy("stays: it did not respond as it should"),
    "stays_not_adjustable_here": gettext_lazy("stays: changing its set-point cannot help"),
    "stays_uncontrolled": gettext_lazy("stays: the control unit does not control it"),
    "entered_towards_target": gettext_lazy(
        "entered by hand: moves %(expected_change_mm)s mm, from %(deviation_mm)s to %(expected_deviation_mm)s mm from "
        "its target"
    ),
    "entered_away_from_target": gettext_lazy(
        "entered by hand: moves %(expected_change_mm)s mm, from %(deviation_mm)s to %(expected_deviation_mm)s mm from "
        "its target, which is %(further_mm)s mm further off than now"
    ),
    "entered_unmoved": gettext_lazy("stays: the set-point that is stored was entered"),
    "goes_back": gettext_lazy("goes back towards the earlier set-point"),
    "stays_gone_back": gettext_lazy("stays: the earlier set-point is stored"),
}

PRIORS = {
    "specification": gettext_lazy("What a count does is taken from the specification; no vehicle has shown it yet."),
    "model": ngettext_lazy(
        "What a count does is taken from %(count)s vehicle of this model, together with the specification.",
        "What a count does is taken from %(count)s vehicles of this model, together with the specification.",
        COUNTED,
    ),
    "vehicle": gettext_lazy("What a count does is taken from this vehicle's own earlier visits."),
}
"""Where the expected responses of a proposal came from; its own rounds and writes in this job count beside it."""


def corner_reason_text(code: str, numbers: Mapping[str, float]) -> str:
    return str(CORNER_REASONS[code] % shown(numbers, numbers.get("limit_counts")))


def prior_text(prior: Mapping[str, Any]) -> str:
    """The source of a proposal's prior in words; empty for one that this version does not know."""
    text = PRIORS.get(prior["source"])
    return str(text % {"count": prior["vehicles"], COUNTED: prior["vehicles"]}) if text is not None else ""

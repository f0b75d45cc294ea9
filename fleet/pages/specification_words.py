"""How the fields of a specification are called, grouped and explained, for the form and for reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django.utils.formats import number_format
from django.utils.functional import lazy
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from fleet.api.examples import SPECIFICATION
from fleet.specifications import AXLES, CONTROL_FIELDS

from .bodies import Group

LABELS: Final[Mapping[str, Any]] = {
    "effective_from": _("In force from"),
    "source_kind": _("Whose figures"),
    "source": _("Source"),
    "measuring_condition": _("Measuring condition"),
    "wheelbase_mm": _("Wheelbase"),
    "track_front_mm": _("Track, front"),
    "track_rear_mm": _("Track, rear"),
    "setpoint_kind": _("Kind of set-point"),
    "setpoint_min": _("Least set-point"),
    "setpoint_max": _("Greatest set-point"),
    "controlled_corners": _("Controlled corners"),
    "linked_corners": _("Corners that share a set-point"),
    "target_mm": _("Target"),
    "tolerance_mm": _("Tolerance"),
    "setpoint_low": _("Lower end of the band"),
    "setpoint_high": _("Upper end of the band"),
    "response_mm_per_count": _("Response"),
    "response_sd": _("Spread of the response"),
    "axle_load_kg": _("Permitted axle load"),
    "side_difference_max_mm": _("Side difference"),
    "step_max_counts": _("Largest step"),
    "shift_review_counts": _("Review threshold"),
    "shift_limit_counts": _("Shift limit"),
    "settling_mm": _("Settling"),
    "leak_limit_mm_per_h": _("Leakage limit"),
    "air_column_mm": _("Air column"),
    "check_interval_months": _("Check interval, time"),
    "check_interval_km": _("Check interval, distance"),
    "warp_max_mm": _("Warp"),
    "warp_change_max_mm": _("Change of warp"),
    "readiness_not_applicable": _("Checks that it does not have"),
    "reference_tyre": _("Reference tyre"),
    "allowed_tyres": _("Tyres that may be fitted"),
    "headlamp_height_mm": _("Headlamp height"),
    "headlamp_inclination_pct": _("Headlamp inclination"),
    "cg_height_mm": _("Height of the centre of gravity"),
    "front_overhang_mm": _("Front overhang"),
    "rear_overhang_mm": _("Rear overhang"),
    "ground_clearance_mm": _("Ground clearance"),
    "front": _("Front axle"),
    "rear": _("Rear axle"),
}
_RESPONSE: Final = _(
    "Millimetres of height per count; negative where more counts lower the body. Where the source does not say, "
    "start with {start}, or with −{start} where more counts lower the body: measuring corrects it for each vehicle."
)
_SPREAD: Final = _(
    "How much the response differs from vehicle to vehicle, as a standard deviation: about two of three lie within "
    "response ± spread. Where the source does not say, start with {start}. The larger it is, the sooner a vehicle's "
    "own measurements count for more than the specification."
)
_shown: Final = lazy(number_format, str)


def _starting(name: str, said: Any) -> dict[str, Any]:
    """By axle, with the value that the example of the interface has, of a car with air suspension."""
    return {f"{axle}-{name}": format_lazy(said, start=_shown(SPECIFICATION[axle][name])) for axle in AXLES}


HINTS: Final[Mapping[str, Any]] = {
    **_starting("response_mm_per_count", _RESPONSE),
    **_starting("response_sd", _SPREAD),
    "effective_from": _(
        "Heights measured from this day on are judged by it, also those of past checks: of those that are imported "
        "later, and of those on record that have no verdict yet. Where the figures held before, give the day from "
        "which they did."
    ),
    "source_kind": "",
    "setpoint_kind": "",
    "target_mm": "",
    "side_difference_max_mm": _("Permitted difference between left and right of an axle."),
    "tolerance_mm": _("Permitted deviation to either side of the target."),
    "setpoint_low": "",
    "setpoint_high": "",
    "warp_max_mm": _("Above it a finding informs. 6 mm if left out."),
    "warp_change_max_mm": _("Most that one proposal may twist the body. 20 mm if left out."),
    "settling_mm": _("Half-width of the band in which the height comes back after a movement."),
    "linked_corners": "",
    "allowed_tyres": _(
        "One size in a line, for example 255/60R18 or 235/65R16C. A load index and speed symbol behind it are left "
        "off: what a tyre may carry is compared with the axle load. A size without C allows the C tyre too; one with "
        "C allows no other. Empty: nothing is said about tyres."
    ),
    "controlled_corners": _("Whose height the control unit sets. Choose all four unless one axle has plain springs."),
}
UNITS: Final[Mapping[str, Any]] = {
    "response_sd": _("mm per count"),
    "setpoint_min": "counts",
    "setpoint_max": "counts",
    "setpoint_low": "counts",
    "setpoint_high": "counts",
}
WHEN_NEEDED: Final[Mapping[str, Any]] = {
    f"{axle}-{name}": _("(needed where the control unit sets this axle)") for axle in AXLES for name in CONTROL_FIELDS
}
READINESS_WORDS: Final[Mapping[str, Any]] = {
    "fault_memory": _("fault memory read"),
    "leakage": _("leakage"),
    "floor": _("floor"),
    "measuring_condition": _("measuring condition"),
    "doors": _("doors shut"),
    "power": _("power supply"),
    "reservoir": _("air reservoir"),
    "ride_position": _("ride position"),
    "tyre_pressures": _("tyre pressures"),
    "steering_straight": _("steering straight"),
    "secured": _("secured against rolling"),
}
SETPOINT_KIND_WORDS: Final[Mapping[str, Any]] = {
    "absolute": _("absolute: the height that is held"),
    "offset": _("offset: added to a height that the maker set"),
}
GROUPS: Final = (
    Group(
        _("Where the figures come from"),
        ("effective_from", "source_kind", "source", "measuring_condition"),
        _("A revision never changes. Jobs opened from the day on which it comes into force are judged by it."),
    ),
    Group(
        _("Front axle"),
        ("front-target_mm", "front-tolerance_mm"),
        _("Heights are measured from the hub centre to the wheel arch, in millimetres."),
    ),
    Group(_("Rear axle"), ("rear-target_mm", "rear-tolerance_mm")),
    Group(
        _("Left and right"),
        ("side_difference_max_mm", "settling_mm", "warp_max_mm", "warp_change_max_mm"),
        _("Warp is how far the body is twisted: front left and rear right against the other two."),
    ),
    Group(
        _("Control unit"),
        ("setpoint_kind", "setpoint_min", "setpoint_max", "controlled_corners", "linked_corners"),
        _("What the control unit can store, and at which corners. Set-points are whole numbers, called counts."),
    ),
    Group(
        _("Set-points, front"),
        ("front-setpoint_low", "front-setpoint_high", "front-response_mm_per_count", "front-response_sd"),
        _("Nothing is written outside the band. The response says how far one count moves the body."),
    ),
    Group(
        _("Set-points, rear"),
        ("rear-setpoint_low", "rear-setpoint_high", "rear-response_mm_per_count", "rear-response_sd"),
    ),
    Group(
        _("How far set-points may move"),
        ("step_max_counts", "shift_review_counts", "shift_limit_counts"),
        _("Distances are counted from the baseline: the set-points with which the vehicle first came."),
    ),
    Group(
        _("Dimensions and loads"),
        ("wheelbase_mm", "track_front_mm", "track_rear_mm", "front-axle_load_kg", "rear-axle_load_kg"),
    ),
    Group(_("Tyres"), ("reference_tyre", "allowed_tyres")),
    Group(
        _("Air springs and checks"),
        (
            "leak_limit_mm_per_h",
            "air_column_mm",
            "check_interval_months",
            "check_interval_km",
            "readiness_not_applicable",
        ),
    ),
    Group(
        _("What the driver and others notice"),
        (
            "headlamp_height_mm",
            "headlamp_inclination_pct",
            "cg_height_mm",
            "front_overhang_mm",
            "rear_overhang_mm",
            "ground_clearance_mm",
        ),
        _(
            "Each one that is given tells more of what a change of height does: to whoever writes and approves it, and "
            "on the certificate."
        ),
    ),
)

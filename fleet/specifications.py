"""What a specification must be in itself, and the completed form in which it is kept.

`completed` checks every rule that binds several fields and fills the defaults in, so that whoever reads a
stored revision finds every field. The share of perfectly true vehicles that would pass is computed by an
upper layer, which registers its function here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from django.utils.translation import gettext_lazy as _

from fleet.errors import FieldError, Invalid
from fleet.numbers import json_numbers

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

PassingShare = Callable[[Mapping[str, Any]], float]

CORNERS: Final = ("FL", "FR", "RL", "RR")
AXLES: Final[Mapping[str, tuple[str, str]]] = {"front": ("FL", "FR"), "rear": ("RL", "RR")}
READINESS_ITEMS: Final = (
    "fault_memory",
    "leakage",
    "floor",
    "measuring_condition",
    "doors",
    "power",
    "reservoir",
    "ride_position",
    "tyre_pressures",
    "steering_straight",
    "secured",
)
SETPOINT_KINDS: Final = ("absolute", "offset")
CONTROL_FIELDS: Final = (
    "setpoint_low",
    "setpoint_high",
    "response_mm_per_count",
    "response_sd",
    "axle_load_kg",
)
"""What only an axle with a controlled corner needs."""
DEFAULTS: Final[Mapping[str, Any]] = {
    "leak_limit_mm_per_h": None,
    "air_column_mm": None,
    "check_interval_months": None,
    "check_interval_km": None,
    "warp_max_mm": 6,
    "warp_change_max_mm": 20,
    "readiness_not_applicable": [],
    "reference_tyre": None,
    "allowed_tyres": [],
    "headlamp_height_mm": None,
    "headlamp_inclination_pct": None,
    "cg_height_mm": None,
    "front_overhang_mm": None,
    "rear_overhang_mm": None,
    "ground_clearance_mm": None,
    "controlled_corners": list(CORNERS),
    "linked_corners": [],
}
LOWEST_TARGET_MM: Final = 150
HIGHEST_TARGET_MM: Final = 2000
USUAL_TARGETS_MM: Final = (200, 1100)
"""Hub centre to wheel arch, from small cars to lorries; common practice, no source."""
MM_PER_UNIT: Final[Mapping[str, float]] = {"centimetre": 10, "inch": 25.4, "metre": 1000}
UNIT_NAMES: Final[Mapping[str, _StrOrPromise]] = {
    "centimetre": _("centimetres"),
    "inch": _("inches"),
    "metre": _("metres"),
}
OWN_COLUMNS: Final = ("effective_from", "source_kind", "source")

_passing_share: list[PassingShare] = []


def register_passing_share(function: PassingShare) -> None:
    """Say who computes the share of true vehicles that pass: a function of the completed specification."""
    _passing_share[:] = [function]


def true_vehicles_passing(content: Mapping[str, Any]) -> float:
    """Share of vehicles exactly on target that would be judged within at their first round, 0 to 1."""
    if not _passing_share:
        raise RuntimeError("no app has called fleet.specifications.register_passing_share")
    return _passing_share[0](content)


def completed(specification: Mapping[str, Any]) -> dict[str, Any]:
    """The specification with every field, as JSON; raises `Invalid` with one error for each broken rule."""
    content: dict[str, Any] = {**DEFAULTS, **specification}
    for axle in AXLES:
        content[axle] = {**dict.fromkeys(CONTROL_FIELDS), **content[axle]}
    errors = list(_faults(content))
    if errors:
        raise Invalid(errors)
    content["controlled_corners"] = [c for c in CORNERS if c in content["controlled_corners"]]
    content["linked_corners"] = [sorted(pair) for pair in content["linked_corners"]]
    plain: dict[str, Any] = json_numbers({name: value for name, value in content.items() if name not in OWN_COLUMNS})
    return plain


def _faults(content: Mapping[str, Any]) -> Iterator[FieldError]:
    yield from _range_faults(content)
    yield from _target_faults(content)
    for axle, corners in AXLES.items():
        if set(corners) & set(content["controlled_corners"]):
            yield from _axle_faults(axle, content)
    yield from _limit_faults(content)
    yield from _corner_faults(content)


def _fault(pointer: str, code: str, detail: _StrOrPromise) -> FieldError:
    return FieldError(pointer, code, detail)


def _range_faults(content: Mapping[str, Any]) -> Iterator[FieldError]:
    if content["setpoint_min"] >= content["setpoint_max"]:
        yield _fault("/setpoint_max", "range_empty", _("Must be greater than setpoint_min."))


def _axle_faults(axle: str, content: Mapping[str, Any]) -> Iterator[FieldError]:
    values = content[axle]
    missing = [name for name in CONTROL_FIELDS if values[name] is None]
    for name in missing:
        detail = _("Required, since the control unit sets a corner of this axle (controlled_corners).")
        yield _fault(f"/{axle}/{name}", "required", detail)
    if missing:
        return
    if values["setpoint_low"] >= values["setpoint_high"]:
        yield _fault(f"/{axle}/setpoint_high", "band_empty", _("Must be greater than setpoint_low."))
    if values["setpoint_low"] < content["setpoint_min"]:
        detail = _("The band must lie within the set-point range: not below setpoint_min.")
        yield _fault(f"/{axle}/setpoint_low", "band_outside_range", detail)
    if values["setpoint_high"] > content["setpoint_max"]:
        detail = _("The band must lie within the set-point range: not above setpoint_max.")
        yield _fault(f"/{axle}/setpoint_high", "band_outside_range", detail)
    if values["response_mm_per_count"] == 0:
        detail = _("A controlled corner moves: the response is not zero (negative where it moves the other way).")
        yield _fault(f"/{axle}/response_mm_per_count", "response_zero", detail)


def _target_faults(content: Mapping[str, Any]) -> Iterator[FieldError]:
    for axle in AXLES:
        target = float(content[axle]["target_mm"])
        if not LOWEST_TARGET_MM <= target <= HIGHEST_TARGET_MM:
            yield _fault(f"/{axle}/target_mm", "implausible_height", _implausible(target))


def _implausible(target: float) -> str:
    detail = _(
        "%(target)s mm is no height from hub centre to wheel arch; targets go from %(low)s to %(high)s mm. "
        "Give it in millimetres."
    ) % {"target": f"{target:g}", "low": LOWEST_TARGET_MM, "high": HIGHEST_TARGET_MM}
    units = likely_units(target)
    if not units:
        return detail
    meant = [f"{name} ({target * MM_PER_UNIT[unit]:.0f} mm)" for unit, name in UNIT_NAMES.items() if unit in units]
    return _("%(detail)s It looks like %(units)s.") % {"detail": detail, "units": _(" or ").join(meant)}


def likely_units(height: float) -> list[str]:
    """The units in which this number would be a usual height of a wheel arch above the hub.

    >>> likely_units(46.5), likely_units(18.3), likely_units(0.465), likely_units(4650)
    (['centimetre'], ['inch'], ['metre'], [])
    """
    low, high = USUAL_TARGETS_MM
    return [unit for unit, factor in MM_PER_UNIT.items() if low <= height * factor <= high]


def _limit_faults(content: Mapping[str, Any]) -> Iterator[FieldError]:
    limit = content["shift_limit_counts"]
    if content["step_max_counts"] > limit:
        detail = _("One step must not exceed shift_limit_counts.")
        yield _fault("/step_max_counts", "step_over_shift_limit", detail)
    if content["shift_review_counts"] > limit:
        detail = _("The review threshold must not exceed shift_limit_counts.")
        yield _fault("/shift_review_counts", "review_over_shift_limit", detail)
    for axle in AXLES:
        if content[axle]["tolerance_mm"] >= content[axle]["target_mm"]:
            detail = _("The tolerance must be smaller than the target.")
            yield _fault(f"/{axle}/tolerance_mm", "tolerance_over_target", detail)


def _corner_faults(content: Mapping[str, Any]) -> Iterator[FieldError]:
    controlled = content["controlled_corners"]
    if len(set(controlled)) != len(controlled):
        yield _fault("/controlled_corners", "corner_twice", _("Each corner stands here once."))
    linked: set[str] = set()
    for index, pair in enumerate(content["linked_corners"]):
        pointer = f"/linked_corners/{index}"
        if set(pair) not in [set(corners) for corners in AXLES.values()]:
            yield _fault(pointer, "pair_of_one_axle", _("A pair is FL with FR, or RL with RR."))
        elif not set(pair) <= set(controlled):
            detail = _("Both corners of a pair must be controlled (controlled_corners).")
            yield _fault(pointer, "pair_not_controlled", detail)
        if linked & set(pair):
            yield _fault(pointer, "corner_twice", _("Each corner stands in one pair only."))
        linked |= set(pair)

"""What a change of heights does to the vehicle, and which work follows from it: figures, never a verdict.

A specification's lengths hold at its targets with its reference tyre. From there the body rises by the deviations of
the heights and by what other tyres lift the hubs; the body is taken as stiff. Lengths are in millimetres, sequences of
four in the order of `CORNERS`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from .attitude import Modes, modes
from .corners import CORNERS
from .errors import MetrologyError

FollowUpCode = Literal["headlamp_aim", "wheel_alignment", "driver_assistance"]
Four = tuple[float, float, float, float]

INCLINATION_STEP_PCT = 0.1
"""UN R48 states a dipped beam's inclination to 0.1 % (from memory): a smaller change is not looked for."""
OPTIONAL_LENGTHS = (
    "tyre_radius_mm",
    "cg_height_mm",
    "ground_clearance_mm",
    "front_overhang_mm",
    "rear_overhang_mm",
    "headlamp_height_mm",
)
LEVEL: Four = (0.0, 0.0, 0.0, 0.0)
_SAME = 1e-9
"""Binary rounding must not turn a change equal to a limit into one below it."""


@dataclass(frozen=True, slots=True)
class BodyGeometry:
    """A vehicle's lengths at its targets on its reference tyres; None where they are not known."""

    wheelbase_mm: float
    track_front_mm: float
    track_rear_mm: float
    tyre_radius_mm: float | None = None
    """Static loaded radius; the free radius makes the angles slightly larger."""
    cg_height_mm: float | None = None
    ground_clearance_mm: float | None = None
    """Least height of the body above ground, taken as midway between the axles."""
    front_overhang_mm: float | None = None
    rear_overhang_mm: float | None = None
    headlamp_height_mm: float | None = None
    headlamp_inclination_pct: float | None = None

    def __post_init__(self) -> None:
        for name in ("wheelbase_mm", "track_front_mm", "track_rear_mm"):
            _positive(name, getattr(self, name))
        for name in OPTIONAL_LENGTHS:
            if getattr(self, name) is not None:
                _positive(name, getattr(self, name))


@dataclass(frozen=True, slots=True)
class BodyPosition:
    """Where the body is: heights less the specification's targets, and how much the tyres lift the hubs, mm.

    A concession's targets move the body; they are no targets here.
    """

    deviations_mm: Four
    hub_rise_mm: Four = LEVEL

    def rise(self) -> Modes:
        """Modes of the body's rise above ground."""
        modes(self.deviations_mm)  # four finite numbers each
        modes(self.hub_rise_mm)
        return modes([own + hub for own, hub in zip(self.deviations_mm, self.hub_rise_mm, strict=True)])


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """A figure before and after."""

    before: float
    after: float

    @property
    def change(self) -> float:
        return self.after - self.before


@dataclass(frozen=True, slots=True)
class Consequences:
    """What moving the body from one position to another does. None where a length is not known, or where there is no
    such figure (a body on the ground, a tyre that reaches beyond the overhang)."""

    height_changes_mm: Four
    """Of the hub-to-arch heights, by corner."""
    attitude_change: Modes
    """Of the hub-to-arch heights: `heave_mm` is the mean height change."""
    ground_clearance_change_mm: float
    pitch_change_mm: float
    """Of the body above ground, front mean less rear mean: positive nose up."""
    inclination_change_pct: float
    """Of the headlamps' beams and of all that looks ahead: `100·(Δfront - Δrear)/wheelbase`, positive upwards."""
    ground_clearance_mm: BeforeAfter | None
    headlamp_height_mm: BeforeAfter | None
    """Taken as above the front axle."""
    headlamp_inclination_pct: BeforeAfter | None
    """Of lamps that were aimed as specified before."""
    static_stability_factor: BeforeAfter | None
    approach_deg: BeforeAfter | None
    """At least so much, as is `departure_deg`: the least height of the body stands for that of its end."""
    departure_deg: BeforeAfter | None
    breakover_deg: BeforeAfter | None


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Work that should follow, with the values that named it: what changes and the least change that counts.

    None of them where only changed set-points name it.
    """

    code: FollowUpCode
    values: Mapping[str, float | str]


def static_stability_factor(track_mm: float, cg_height_mm: float) -> float:
    """Static stability factor T/(2·h): the sideways acceleration in g at which a stiff vehicle would tip.

    Raises
    ------
    MetrologyError
        If a length is not a finite number above 0.

    Source: NHTSA, static stability factor (definition read; see `rollover_ssf.json` among the check values).

    >>> round(static_stability_factor(1609, 720), 3)
    1.117
    """
    return _positive("track_mm", track_mm) / (2 * _positive("cg_height_mm", cg_height_mm))


def clearance_angle_deg(distance_mm: float, height_mm: float, tyre_radius_mm: float) -> float:
    """Inclination of the line from a low point of the body that touches the tyre from below, degrees.

    The steepest ramp that the tyre meets before that point does: the approach angle for the lowest foremost point, the
    departure angle for the lowest rearmost one. `asin(R/√(a² + (R - z)²)) - atan((R - z)/a)`.

    Parameters
    ----------
    distance_mm : float
        Horizontal distance a of the point from the axle, above 0.
    height_mm : float
        Height z of the point above ground, from 0.
    tyre_radius_mm : float
        Static loaded radius R, above 0.

    Raises
    ------
    MetrologyError
        If a length is impossible, or the tyre reaches as far as the point: then no ramp meets the point first.

    Source: plane geometry; approach and departure angle as 49 CFR 523.2 defines them (read).

    >>> round(clearance_angle_deg(700, 250, 350), 3)
    21.538
    """
    _positive("distance_mm", distance_mm)
    _positive("tyre_radius_mm", tyre_radius_mm)
    if not (math.isfinite(height_mm) and height_mm >= 0):
        raise MetrologyError("height_mm", height_mm, "a finite number from 0")
    below_centre = tyre_radius_mm - height_mm
    from_centre = math.hypot(distance_mm, below_centre)
    if not from_centre > tyre_radius_mm:
        raise MetrologyError("distance_mm", distance_mm, "a point outside the tyre")
    return math.degrees(math.asin(tyre_radius_mm / from_centre) - math.atan2(below_centre, distance_mm))


def breakover_angle_deg(
    wheelbase_mm: float, height_mm: float, front_radius_mm: float, rear_radius_mm: float | None = None
) -> float:
    """Ramp breakover angle of a low point midway between the axles, degrees: the two tangents' inclinations together.

    Parameters and errors as for `clearance_angle_deg`; the rear radius is the front one unless given.

    Source: 49 CFR 523.2 (from memory); plane geometry.

    >>> round(breakover_angle_deg(2850, 230, 360), 3)
    18.718
    """
    half = _positive("wheelbase_mm", wheelbase_mm) / 2
    radii = (front_radius_mm, front_radius_mm if rear_radius_mm is None else rear_radius_mm)
    return sum(clearance_angle_deg(half, height_mm, radius) for radius in radii)


def inclination_change_pct(pitch_change_mm: float, wheelbase_mm: float) -> float:
    """Change of a headlamp beam's inclination, %, from the change of front mean less rear mean: positive upwards.

    Source: plane geometry for small angles; inclination as cut-off drop over distance, as in UN R48 (from memory).

    >>> round(inclination_change_pct(-10.0, 2885), 3)
    -0.347
    """
    return 100 * pitch_change_mm / _positive("wheelbase_mm", wheelbase_mm)


def consequences(geometry: BodyGeometry, before: BodyPosition, after: BodyPosition) -> Consequences:
    """What moving the body from one position to another does, for a proposal or for a whole job.

    Parameters
    ----------
    geometry : BodyGeometry
        Lengths at the targets on the reference tyres.
    before, after : BodyPosition
        For a proposal the heights now and as predicted; for a job as found and as left.

    Raises
    ------
    MetrologyError
        If a position is not four finite numbers.

    Source: plane geometry of a stiff body; static stability factor; clearance angles.

    >>> van = BodyGeometry(2885, 1605, 1613, cg_height_mm=720)
    >>> raised = consequences(van, BodyPosition((0, 0, 0, 0)), BodyPosition((10, 10, 0, 0)))
    >>> raised.ground_clearance_change_mm, round(raised.inclination_change_pct, 3)
    (5.0, 0.347)
    >>> round(raised.static_stability_factor.change, 4)
    -0.0077
    """
    rises = before.rise(), after.rise()
    heave, pitch = (rises[1].heave_mm - rises[0].heave_mm, rises[1].pitch_mm - rises[0].pitch_mm)
    changes = tuple(new - old for old, new in zip(before.deviations_mm, after.deviations_mm, strict=True))
    front_left, front_right, rear_left, rear_right = changes
    inclination = inclination_change_pct(pitch, geometry.wheelbase_mm)
    nominal = geometry.headlamp_inclination_pct
    old, new = (_figures(geometry, position) for position in (before, after))
    return Consequences(
        height_changes_mm=(front_left, front_right, rear_left, rear_right),
        attitude_change=modes(changes),
        ground_clearance_change_mm=heave,
        pitch_change_mm=pitch,
        inclination_change_pct=inclination,
        headlamp_inclination_pct=None if nominal is None else BeforeAfter(nominal, nominal + inclination),
        **{name: _before_after(old[name], new[name]) for name in old},
    )


def follow_ups(
    found: Consequences | None,
    tolerances_mm: Sequence[float],
    *,
    setpoints_changed: bool = False,
    expanded_uncertainty_mm: Sequence[float] | None = None,
) -> tuple[FollowUp, ...]:
    """Work that the consequences name, each with the values that named it.

    | code | named by |
    |---|---|
    | `headlamp_aim` | inclination changes by 0.1 % or more |
    | `wheel_alignment` | a corner's height changes by its tolerance or more |
    | `driver_assistance` | either of the two: cameras and sensors look ahead, too |
    | all three | set-points changed, or a corner's height by more than can be noise |

    The last line is for caution: an inspection too many costs minutes, and what a small change does to a vehicle's
    headlamps, wheels and cameras only its maker knows. What follows a job is named by its heights as found and as left:
    several small proposals add up.

    Parameters
    ----------
    found : Consequences, or None
        None where the heights before or after are not known; then the set-points alone speak.
    tolerances_mm : four floats
        Of the heights: changes within it are what the specification takes as equal.
    setpoints_changed : bool
        Whether what is stored afterwards differs at a corner from what was stored before.
    expanded_uncertainty_mm : four floats, or None
        Of the height changes, where they were measured: more than this is no noise.

    Raises
    ------
    MetrologyError
        If there are not four tolerances above 0, or not four uncertainties from 0.

    Source: the project's own rule; 0.1 % is the precision of UN R48 (from memory).

    >>> van = BodyGeometry(2885, 1605, 1613)
    >>> raised = consequences(van, BodyPosition((0, 0, 0, 0)), BodyPosition((4, 4, 0, 0)))
    >>> [each.code for each in follow_ups(raised, (6, 6, 6, 6))]
    ['headlamp_aim', 'driver_assistance']
    >>> [each.code for each in follow_ups(raised, (6, 6, 6, 6), setpoints_changed=True)]
    ['headlamp_aim', 'wheel_alignment', 'driver_assistance']
    """
    inclined = {} if found is None else _inclined(found)
    moved = {} if found is None else _moved(found, tolerances_mm)
    noticed = {} if found is None or expanded_uncertainty_mm is None else _noticed(found, expanded_uncertainty_mm)
    named_by: dict[FollowUpCode, dict[str, float | str]] = {
        "headlamp_aim": inclined,
        "wheel_alignment": moved,
        "driver_assistance": {**inclined, **moved},
    }
    is_any_change = setpoints_changed or bool(noticed)
    return tuple(FollowUp(code, values or noticed) for code, values in named_by.items() if values or is_any_change)


def _inclined(found: Consequences) -> dict[str, float | str]:
    change = found.inclination_change_pct
    if abs(change) < INCLINATION_STEP_PCT - _SAME:
        return {}
    return {"inclination_change_pct": change, "inclination_step_pct": INCLINATION_STEP_PCT}


def _moved(found: Consequences, tolerances_mm: Sequence[float]) -> dict[str, float | str]:
    """The corner that moves most against its tolerance, if that is as much as the tolerance."""
    if len(tolerances_mm) != len(CORNERS) or not all(math.isfinite(each) and each > 0 for each in tolerances_mm):
        raise MetrologyError("tolerances_mm", tuple(tolerances_mm), "four finite numbers above 0")
    rows = zip(CORNERS, found.height_changes_mm, tolerances_mm, strict=True)
    corner, change, tolerance = max(rows, key=lambda row: abs(row[1]) / row[2])
    if abs(change) < tolerance - _SAME:
        return {}
    return {"corner": corner, "height_change_mm": change, "tolerance_mm": tolerance}


def _noticed(found: Consequences, uncertainties_mm: Sequence[float]) -> dict[str, float | str]:
    """The corner whose height changes by most beyond its uncertainty, if one does."""
    if len(uncertainties_mm) != len(CORNERS) or not all(math.isfinite(each) and each >= 0 for each in uncertainties_mm):
        raise MetrologyError("expanded_uncertainty_mm", tuple(uncertainties_mm), "four finite numbers from 0")
    rows = zip(CORNERS, found.height_changes_mm, uncertainties_mm, strict=True)
    corner, change, uncertainty = max(rows, key=lambda row: abs(row[1]) - row[2])
    if abs(change) <= uncertainty + _SAME:
        return {}
    return {"corner": corner, "height_change_mm": change, "expanded_uncertainty_mm": uncertainty}


def _figures(geometry: BodyGeometry, position: BodyPosition) -> dict[str, float | None]:
    """What depends on where the body is; None where it is not known or does not exist."""
    rise, lift = position.rise(), modes(position.hub_rise_mm)
    clearance = _risen(geometry.ground_clearance_mm, rise.heave_mm)
    radius = geometry.tyre_radius_mm
    front_radius, rear_radius = (_risen(radius, lift.heave_mm + sign * lift.pitch_mm / 2) for sign in (1, -1))
    cg_height = _risen(geometry.cg_height_mm, rise.heave_mm)
    track = (geometry.track_front_mm + geometry.track_rear_mm) / 2
    return {
        "ground_clearance_mm": clearance,
        "headlamp_height_mm": _risen(geometry.headlamp_height_mm, rise.heave_mm + rise.pitch_mm / 2),
        "static_stability_factor": None if cg_height is None else static_stability_factor(track, cg_height),
        "approach_deg": _end_angle(geometry, rise, geometry.front_overhang_mm, front_radius, 1),
        "departure_deg": _end_angle(geometry, rise, geometry.rear_overhang_mm, rear_radius, -1),
        "breakover_deg": _breakover(geometry.wheelbase_mm, clearance, front_radius, rear_radius),
    }


def _risen(length_mm: float | None, by_mm: float) -> float | None:
    """A height above ground after a rise; None where it is not known or nothing would be left of it."""
    return length_mm + by_mm if length_mm is not None and length_mm + by_mm > 0 else None


def _end_angle(
    geometry: BodyGeometry, rise: Modes, overhang_mm: float | None, radius_mm: float | None, sign: int
) -> float | None:
    """Approach (`sign` 1) or departure angle (-1) of a body whose end stands as low as its lowest point."""
    if overhang_mm is None or radius_mm is None:
        return None
    from_middle = sign * (geometry.wheelbase_mm / 2 + overhang_mm)
    height = _risen(geometry.ground_clearance_mm, rise.heave_mm + rise.pitch_mm * from_middle / geometry.wheelbase_mm)
    return None if height is None else _angle(overhang_mm, height, radius_mm)


def _breakover(
    wheelbase_mm: float, height_mm: float | None, front_radius_mm: float | None, rear_radius_mm: float | None
) -> float | None:
    if height_mm is None or front_radius_mm is None or rear_radius_mm is None:
        return None
    half = wheelbase_mm / 2
    if _angle(half, height_mm, front_radius_mm) is None or _angle(half, height_mm, rear_radius_mm) is None:
        return None
    return breakover_angle_deg(wheelbase_mm, height_mm, front_radius_mm, rear_radius_mm)


def _angle(distance_mm: float, height_mm: float, radius_mm: float) -> float | None:
    """The clearance angle; None for a point that the tyre covers."""
    if math.hypot(distance_mm, radius_mm - height_mm) <= radius_mm:
        return None
    return clearance_angle_deg(distance_mm, height_mm, radius_mm)


def _before_after(before: float | None, after: float | None) -> BeforeAfter | None:
    return None if before is None or after is None else BeforeAfter(before, after)


def _positive(argument: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise MetrologyError(argument, value, "a finite number above 0")
    return value

"""What the tyres fitted change against the specification's reference tyre, and what of that is worth saying."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from ..metrology import tyre
from ..metrology.corners import AXLES, CORNERS, CORNERS_OF, Axle, Corner, in_corner_order

LARGEST_MISMATCH_PCT = 1.0
"""Rolling circumferences that differ by more make a differential turn all the time; common practice, no source."""

TyreNoteCode = Literal[
    "speed_reads_low", "speed_reads_high", "tyres_differ_on_axle", "tyres_differ_between_axles", "arch_touched"
]


@dataclass(frozen=True, slots=True)
class ComparedCorner:
    """One fitted tyre. What needs a reference tyre or a height is None without."""

    overall_diameter_mm: float
    rolling_circumference_mm: float
    revolutions_per_km: float
    difference: tyre.TyreDifference | None
    hub_rise_mm: float | None
    arch_clearance_mm: float | None


@dataclass(frozen=True, slots=True)
class TyreNote:
    """What the comparison shows; it informs and blocks nothing."""

    code: TyreNoteCode
    corner: Corner | None = None
    axle: Axle | None = None
    values: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TyreComparison:
    corners: Mapping[Corner, ComparedCorner]
    axle_loads: Mapping[Axle, tyre.AxleLoad | None]
    mismatch: tyre.CircumferenceMismatch
    speed: tuple[tyre.SpeedReading, ...]
    """Of a speedometer that shows the truth on reference tyres; empty without a reference tyre."""
    overreading_needed_pct: float | None
    """How much too much it must show on reference tyres so as not to show too little on those fitted."""
    notes: tuple[TyreNote, ...]


@dataclass(frozen=True, slots=True)
class FittedTyre:
    overall_diameter_mm: float
    rolling_circumference_mm: float
    load_capacity_kg: float | None


def compare(
    fitted: Mapping[Corner, FittedTyre],
    *,
    reference: FittedTyre | None,
    axle_load_kg: Mapping[Axle, float | None],
    heights_mm: Mapping[Corner, float] | None,
) -> TyreComparison:
    """Compare a vehicle's tyres with the reference tyre, with each other and with the axle loads.

    `heights_mm` are those from hub to arch; they do not change with the tyres.
    """
    diameters = in_corner_order({corner: fitted[corner].overall_diameter_mm for corner in CORNERS})
    rises = tyre.hub_rise_mm(diameters, reference.overall_diameter_mm) if reference else (None,) * 4
    rooms = tyre.arch_clearance_mm(in_corner_order(heights_mm), diameters) if heights_mm else (None,) * 4
    corners = {
        corner: _corner(fitted[corner], reference, rise, room)
        for corner, rise, room in zip(CORNERS, rises, rooms, strict=True)
    }
    mismatch = tyre.circumference_mismatch([corners[corner].rolling_circumference_mm for corner in CORNERS])
    mean = sum(each.rolling_circumference_mm for each in corners.values()) / len(corners)
    speed = _speed(mean, reference)
    return TyreComparison(
        corners=corners,
        axle_loads={axle: _axle_load(fitted, axle, axle_load_kg[axle]) for axle in AXLES},
        mismatch=mismatch,
        speed=speed,
        overreading_needed_pct=max(100 * (mean / reference.rolling_circumference_mm - 1), 0.0) if reference else None,
        notes=(*_speed_notes(speed), *_mismatch_notes(mismatch), *_room_notes(corners)),
    )


def _corner(
    fitted: FittedTyre, reference: FittedTyre | None, rise_mm: float | None, room_mm: float | None
) -> ComparedCorner:
    diameter, circumference = fitted.overall_diameter_mm, fitted.rolling_circumference_mm
    return ComparedCorner(
        overall_diameter_mm=diameter,
        rolling_circumference_mm=circumference,
        revolutions_per_km=1e6 / circumference,
        difference=None if reference is None else _difference(fitted, reference),
        hub_rise_mm=rise_mm,
        arch_clearance_mm=room_mm,
    )


def _difference(fitted: FittedTyre, reference: FittedTyre) -> tyre.TyreDifference:
    return tyre.difference(
        fitted.overall_diameter_mm,
        fitted.rolling_circumference_mm,
        reference.overall_diameter_mm,
        reference.rolling_circumference_mm,
    )


def _axle_load(fitted: Mapping[Corner, FittedTyre], axle: Axle, load_kg: float | None) -> tyre.AxleLoad | None:
    left, right = (fitted[corner].load_capacity_kg for corner in CORNERS_OF[axle])
    return None if left is None or right is None or load_kg is None else tyre.axle_load(left, right, load_kg)


def _speed(circumference_mm: float, reference: FittedTyre | None) -> tuple[tyre.SpeedReading, ...]:
    if reference is None:
        return ()
    of_reference = reference.rolling_circumference_mm
    return tuple(tyre.speed_reading(each, circumference_mm, of_reference) for each in tyre.R39_TEST_SPEEDS_KM_H)


def _speed_notes(speed: tuple[tyre.SpeedReading, ...]) -> Iterator[TyreNote]:
    """At the speed where it shows most plainly; a speedometer must never show less than the truth."""
    low = [each for each in speed if each.shown_km_h < each.lowest_km_h]
    high = [each for each in speed if each.shown_km_h > each.highest_km_h]
    if low:
        yield TyreNote("speed_reads_low", values=_shown(low[-1]))
    if high:
        yield TyreNote("speed_reads_high", values=_shown(high[-1]))


def _shown(reading: tyre.SpeedReading) -> dict[str, float]:
    return {
        "true_km_h": reading.true_km_h,
        "shown_km_h": reading.shown_km_h,
        "highest_km_h": reading.highest_km_h,
    }


def _mismatch_notes(mismatch: tyre.CircumferenceMismatch) -> Iterator[TyreNote]:
    on_axle: dict[Axle, float] = {"front": mismatch.front_pct, "rear": mismatch.rear_pct}
    for axle, difference_pct in on_axle.items():
        if abs(difference_pct) > LARGEST_MISMATCH_PCT:
            yield TyreNote("tyres_differ_on_axle", axle=axle, values={"difference_pct": difference_pct})
    if abs(mismatch.front_rear_pct) > LARGEST_MISMATCH_PCT:
        yield TyreNote("tyres_differ_between_axles", values={"difference_pct": mismatch.front_rear_pct})


def _room_notes(corners: Mapping[Corner, ComparedCorner]) -> Iterator[TyreNote]:
    for corner, each in corners.items():
        if each.arch_clearance_mm is not None and each.arch_clearance_mm <= 0:
            yield TyreNote("arch_touched", corner=corner, values={"arch_clearance_mm": each.arch_clearance_mm})

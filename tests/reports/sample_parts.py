"""Pieces that the invented documents are made of: heights, rounds, people and things."""

from __future__ import annotations

from datetime import date, datetime, timedelta, timezone

from calibration.metrology.corners import AXLES, CORNERS, CORNERS_OF, Corner
from reports.certificate import document as doc

ZONE = timezone(timedelta(hours=1))
ARRIVAL = datetime(2026, 10, 6, 8, 12, tzinfo=ZONE)
HASH = "9f2c71d04be85a3377c1d0e2a94b6f1880d3c5e7a1b294f6d8037e5c4b1a2f90"
TECHNICIAN = "Ilse Mørk"
MANAGER = "Tomas Weißmüller"
TARGET_MM: dict[Corner, float] = {"FL": 486.0, "FR": 486.0, "RL": 504.0, "RR": 504.0}

BUDGET = (
    doc.BudgetLine("repeatability", 0.5, 20),
    doc.BudgetLine("settling", 0.866),
    doc.BudgetLine("resolution", 0.289),
    doc.BudgetLine("mark_placement", 0.577),
    doc.BudgetLine("instrument", 0.404),
)


def at(minutes: int) -> datetime:
    return ARRIVAL + timedelta(minutes=minutes)


def conformity(deviation_mm: float, uncertainty_mm: float, tolerance_mm: float) -> doc.Verdict:
    """Guard band w = U (JCGM 106)."""
    if abs(deviation_mm) + uncertainty_mm <= tolerance_mm:
        return "within"
    return "outside" if abs(deviation_mm) - uncertainty_mm > tolerance_mm else "undecided"


def corner_result(corner: Corner, mean_mm: float, *, target_mm: float | None = None) -> doc.CornerResult:
    target = TARGET_MM[corner] if target_mm is None else target_mm
    deviation = mean_mm - target
    return doc.CornerResult(
        mean_mm=mean_mm,
        expanded_uncertainty_mm=2.61,
        coverage_factor=1.98,
        standard_uncertainty_mm=1.32,
        degrees_of_freedom=147,
        readings=2,
        rounds=1,
        target_mm=target,
        tolerance_mm=6.0,
        deviation_mm=deviation,
        verdict=conformity(deviation, 2.61, 6.0),
        conformance_probability=0.00002 if abs(deviation) > 6 else 0.9937,
        budget=BUDGET,
    )


def modes(means_mm: tuple[float, float, float, float]) -> doc.Modes:
    """Heave, pitch, roll and warp of the deviations."""
    fl, fr, rl, rr = (mean - TARGET_MM[corner] for mean, corner in zip(means_mm, CORNERS, strict=True))
    return doc.Modes(
        heave_mm=(fl + fr + rl + rr) / 4,
        pitch_mm=(fl + fr - rl - rr) / 2,
        roll_mm=(fl - fr + rl - rr) / 2,
        warp_mm=(fl - fr - rl + rr) / 2,
    )


def height_state(
    means_mm: tuple[float, float, float, float],
    *,
    minutes: int,
    rounds: tuple[int, ...],
    verdict: doc.Verdict,
) -> doc.HeightState:
    means = dict(zip(CORNERS, means_mm, strict=True))
    sides = {
        axle: doc.SideResult(
            difference_mm=means[left] - means[right],
            expanded_uncertainty_mm=3.62,
            limit_mm=8.0,
            verdict=conformity(means[left] - means[right], 3.62, 8.0),
        )
        for axle in AXLES
        for left, right in [CORNERS_OF[axle]]
    }
    return doc.HeightState(
        taken_at=at(minutes),
        rounds=rounds,
        corners={corner: corner_result(corner, mean) for corner, mean in means.items()},
        verdict=verdict,
        sides=sides,
        modes=modes(means_mm),
    )


def round_entry(
    number: int, minutes: int, means_mm: tuple[float, float, float, float], setpoints: dict[Corner, int]
) -> doc.RoundEntry:
    readings = tuple(
        doc.ReadingEntry(corner, mean + step)
        for corner, mean in zip(CORNERS, means_mm, strict=True)
        for step in (-0.5, 0.5)
    )
    return doc.RoundEntry(
        number=number,
        taken_at=at(minutes),
        measured_by=TECHNICIAN,
        instrument="BM-2207",
        readings=readings,
        setpoints=setpoints,
        temperature_deg_c=14.0,
    )


FOUND_MM = (497.5, 490.0, 505.5, 503.0)
LEFT_MM = (486.5, 486.0, 505.0, 503.5)
FOUND_COUNTS: dict[Corner, int] = {"FL": 128, "FR": 131, "RL": 117, "RR": 119}
LEFT_COUNTS: dict[Corner, int] = {"FL": 116, "FR": 127, "RL": 117, "RR": 119}

READINESS = tuple(
    doc.ReadinessEntry(item, "pass", checked_by=TECHNICIAN, checked_at=at(9))
    for item in (
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
)

SPECIFICATION = doc.SpecificationSummary(
    revision=3,
    source_kind="manufacturer",
    source="Brae workshop manual, issue 4, p. 112",
    effective_from=date(2026, 1, 1),
    measuring_condition="ambulance equipment aboard, half tank",
    front=doc.AxleTarget(486.0, 6.0, 40, 215),
    rear=doc.AxleTarget(504.0, 6.0, 40, 215),
    side_difference_max_mm=8.0,
    settling_mm=1.5,
    setpoint_min=0,
    setpoint_max=255,
)

TAPE = doc.InstrumentEntry(
    serial="BM-2207",
    kind="tape",
    resolution_mm=1.0,
    calibrated_on=date(2026, 3, 2),
    calibration_due_on=date(2027, 3, 2),
    length_mm=3000.0,
    accuracy_class="II",
    calibration_reference="K-2026-0311",
)

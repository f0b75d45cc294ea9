"""Invented documents: an ordinary certificate, its cousins, and one with everything at its longest."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from datetime import date, datetime, timedelta, timezone
from typing import Any, get_type_hints

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


def certificate() -> doc.Document:
    """A sensor was replaced; one write brought the vehicle within tolerance."""
    return doc.Document(
        kind="certificate",
        number="2026-0042",
        issued_at=at(95),
        verification_code="7KQM-3XTD-9WPA",
        verification_url="https://levelbook.example/verify/7KQM3XTD9WPA",
        workshop=doc.Party(
            "Hollin Vale Suspension Works",
            ("14 Tannery Row", "Hollin Vale HV3 2QD"),
            "office@hollinvale.example",
        ),
        operator=doc.Party("Strand Ambulance Trust", ("Quay House", "Strandby"), "fleet@strand-ambulance.example"),
        vehicle=doc.VehicleIdentity("ZZ9BRAE20R0004711", "SAT 214", "Brae", "Halden 4", 2024, 84210.0),
        job=doc.JobSummary("J-2026-0117", "sensor_replaced", "signed_off", at(0), at(90), place="Bay 2"),
        calculation_version="1.0.0",
        tyres={corner: doc.Tyre("255/60R18", "112", "V", pressure_kpa=250.0) for corner in CORNERS},
        specification=SPECIFICATION,
        as_found=height_state(FOUND_MM, minutes=18, rounds=(1,), verdict="outside"),
        as_left=height_state(LEFT_MM, minutes=74, rounds=(2,), verdict="within"),
        setpoints={corner: doc.SetpointSummary(FOUND_COUNTS[corner], LEFT_COUNTS[corner], 125) for corner in CORNERS},
        writes=(
            doc.WriteEntry(
                1,
                at(41),
                TECHNICIAN,
                True,
                {"FL": doc.CornerWrite(128, 116, 116), "FR": doc.CornerWrite(131, 127, 127)},
                "computed",
            ),
        ),
        rounds=(round_entry(1, 18, FOUND_MM, FOUND_COUNTS), round_entry(2, 74, LEFT_MM, LEFT_COUNTS)),
        readiness=READINESS,
        instruments=(TAPE,),
        events=(doc.EventEntry("sensor_replaced", at(2), "FL", "new height sensor"),),
        follow_ups=(doc.FollowUp("headlamp_aim"), doc.FollowUp("driver_assistance")),
        signatures=(doc.Signature(TECHNICIAN, "technician", "work_complete", at(90), HASH),),
        ledger=doc.LedgerReference(212, HASH),
        photos=4,
    )


def left_alone() -> doc.Document:
    """Found within tolerance: one round, nothing written."""
    state = height_state((487.0, 485.5, 504.5, 505.0), minutes=18, rounds=(1,), verdict="within")
    sample = certificate()
    return replace(
        sample,
        number="2026-0043",
        job=replace(sample.job, reason="routine"),
        as_found=state,
        as_left=state,
        setpoints={corner: doc.SetpointSummary(128, 128, 128) for corner in CORNERS},
        writes=(),
        events=(),
        follow_ups=(),
        rounds=(round_entry(1, 18, (487.0, 485.5, 504.5, 505.0), FOUND_COUNTS),),
    )


def findings_report() -> doc.Document:
    """A slow leak at the rear left: measured, not adjusted, sent away to be mended."""
    sample = certificate()
    rates = {corner: doc.CornerLeakRate(-0.2, 0.4, "within") for corner in CORNERS}
    return replace(
        sample,
        kind="findings_report",
        number="2026-0044",
        job=replace(sample.job, reason="complaint", state="ended"),
        as_found=height_state((486.5, 485.0, 489.0, 503.0), minutes=18, rounds=(1,), verdict="outside"),
        as_left=None,
        setpoints={corner: doc.SetpointSummary(c, c, 125) for corner, c in FOUND_COUNTS.items()},
        writes=(),
        events=(),
        rounds=(round_entry(1, 18, (486.5, 485.0, 489.0, 503.0), FOUND_COUNTS),),
        leak_tests=(doc.LeakTestEntry(at(20), at(80), 1.0, {**rates, "RL": doc.CornerLeakRate(-4.6, 0.4, "outside")}),),
        findings=(doc.FindingEntry("leak_outside", "stop", "4.6 mm/h against a limit of 1.0 mm/h.", "RL"),),
        ending=doc.Ending(
            "The rear left corner loses height faster than its limit",
            TECHNICIAN,
            (
                "Find and mend the leak at the rear left air spring.",
                "Repeat the leak test before any adjustment.",
            ),
        ),
        follow_ups=(),
        signatures=(doc.Signature(TECHNICIAN, "technician", "job_ended", at(90), HASH),),
    )


def rear_only_with_concession() -> doc.Document:
    """A van with air at the rear only: front low and not adjustable, rear raised by a concession."""
    sample = certificate()
    found = height_state((478.0, 478.5, 505.5, 503.0), minutes=18, rounds=(1,), verdict="outside")
    left = height_state((477.5, 478.5, 519.0, 518.5), minutes=74, rounds=(2,), verdict="within")
    for state in (found, left):
        for corner in CORNERS_OF["front"]:
            state.corners[corner] = replace(state.corners[corner], adjustable=False)
    for corner in CORNERS_OF["rear"]:
        left.corners[corner] = corner_result(corner, left.corners[corner].mean_mm, target_mm=518.0)
    return replace(
        sample,
        number="2026-0051",
        as_found=found,
        as_left=left,
        specification=replace(
            SPECIFICATION,
            front=doc.AxleTarget(486.0, 6.0),
            controlled_corners=("RL", "RR"),
            linked_corners=(("RL", "RR"),),
            setpoint_kind="offset",
            setpoint_base="hexadecimal",
        ),
        setpoints={corner: doc.SetpointSummary(-12, 3, -10) for corner in CORNERS_OF["rear"]},
        writes=(
            doc.WriteEntry(
                1,
                at(41),
                TECHNICIAN,
                False,
                {"RL": doc.CornerWrite(-12, 3, 1), "RR": doc.CornerWrite(-12, 3, 3)},
            ),
        ),
        not_adjustable_here=CORNERS_OF["front"],
        concession=doc.Concession(486.0, 518.0, "Ramp angle of the ferry.", "R. Ekdal, fleet", date(2026, 10, 5)),
        approvals=(
            doc.ApprovalEntry(
                "concession",
                "approve",
                "Asked for in writing.",
                MANAGER,
                "manager",
                at(30),
                self_approved=True,
            ),
        ),
        follow_ups=(doc.FollowUp("not_adjustable_here", corner="FL"), doc.FollowUp("headlamp_aim")),
        replaces="2026-0042",
        replacement_reason="VIN corrected.",
        single_person_workshop=True,
    )


LONG = "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft"
LONG_SENTENCE = (
    "The reading was taken at the wrong mark because the tape slipped on the wet arch while the "
    "suspension was still coming down, as the second person confirmed on the spot. "
)


def extreme() -> doc.Document:
    """Long names, 25 writes of 32-bit set-points, many strikes, inches, a 4,000-character reason."""
    sample = certificate()
    big = {corner: doc.CornerWrite(-2147483648, 2147483647, -2147483647) for corner in CORNERS}
    return replace(
        sample,
        number="HOLLINVALE-2026-000000000042-REPLACEMENT-0007",
        workshop=doc.Party(f"{LONG} & Söhne", tuple(f"{LONG} {line}" for line in range(4)), f"{LONG}@example.test"),
        operator=doc.Party(f"Operator {LONG}", (LONG, LONG), f"{LONG}@operator.example"),
        vehicle=doc.VehicleIdentity("W" * 17, "W" * 30, LONG, LONG, 2024, 9999999.0, note=LONG_SENTENCE * 3),
        tyres={corner: doc.Tyre(f"LT275/65R18 {corner}", "123/120", "(Y)", 8.25, 450.0) for corner in CORNERS},
        setpoints={corner: doc.SetpointSummary(-2147483648, 2147483647, -2147483648) for corner in CORNERS},
        writes=tuple(
            doc.WriteEntry(n, at(20 + n), f"{TECHNICIAN} {LONG}", n % 2 == 0, big, "entered", LONG_SENTENCE)
            for n in range(1, 26)
        ),
        rounds=tuple(
            replace(
                round_entry(n, 20 + n, FOUND_MM, dict.fromkeys(CORNERS, -2147483648)),
                readings=tuple(
                    doc.ReadingEntry(corner, 480.25 + step, step % 2 == 0, f"{TECHNICIAN} {LONG}", f"T{step}")
                    for corner in CORNERS
                    for step in range(16)
                ),
                from_paper=True,
                settled=False,
            )
            for n in range(1, 13)
        ),
        strikes=tuple(
            doc.Strike(n, "FL", 480.25, 490.75, LONG_SENTENCE, f"{MANAGER} {LONG}", at(30 + n), True, True)
            for n in range(1, 13)
        ),
        findings=tuple(
            doc.FindingEntry(
                "write_without_proposal",
                "review",
                LONG_SENTENCE * 2,
                "RR",
                doc.Ruling("accept", LONG_SENTENCE * 25 if n == 3 else LONG_SENTENCE, MANAGER, at(60 + n), True),
            )
            for n in range(1, 9)
        ),
        approvals=tuple(
            doc.ApprovalEntry("proposal", "approve", LONG_SENTENCE, MANAGER, "manager", at(50 + n), True, HASH)
            for n in range(6)
        ),
        concession=doc.Concession(500.0, 520.0, LONG_SENTENCE, LONG, date(2026, 10, 5)),
        follow_ups=tuple(doc.FollowUp("headlamp_aim", LONG_SENTENCE, corner) for corner in CORNERS),
        signatures=tuple(
            doc.Signature(f"{TECHNICIAN} {LONG}", "technician", "work_complete", at(90 + n), HASH) for n in range(4)
        ),
        readiness=tuple(replace(entry, outcome="fail", note=LONG_SENTENCE) for entry in READINESS),
        instruments=tuple(replace(TAPE, serial=f"{LONG}{n}", calibration_reference=LONG) for n in range(3)),
        replaces="HOLLINVALE-2026-000000000041",
        replacement_reason=LONG_SENTENCE,
        units=doc.Units("inch", "mile", "psi"),
    )


FREE_TEXTS = {"note", "remark", "reason", "detail", "justification", "replacement_reason", "void_reason"}
_KEPT = {"language", "verification_url"}


def filled(part: Any, name_text: str, free_text: str) -> Any:
    """A document, or a part of one, with every text replaced: free texts by one, names and the like by another."""
    if is_dataclass(part) and not isinstance(part, type):
        hints = get_type_hints(type(part))
        texts = {field.name for field in fields(part) if hints[field.name] is str} - _KEPT
        chosen = {name: free_text if name in FREE_TEXTS else name_text for name in texts}
        others = {
            field.name: filled(getattr(part, field.name), name_text, free_text)
            for field in fields(part)
            if field.name not in texts
        }
        return replace(part, **chosen, **others)
    if isinstance(part, dict):
        return {key: filled(value, name_text, free_text) for key, value in part.items()}
    if isinstance(part, tuple) and not (part and isinstance(part[0], str)):
        return tuple(filled(value, name_text, free_text) for value in part)
    return part


ALL = {
    "certificate": certificate,
    "left_alone": left_alone,
    "findings_report": findings_report,
    "rear_only_with_concession": rear_only_with_concession,
    "extreme": extreme,
}

"""Invented documents of jobs that went as jobs go."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from calibration.metrology.corners import CORNERS, CORNERS_OF
from reports.certificate import document as doc

from .sample_parts import (
    FOUND_COUNTS,
    FOUND_MM,
    HASH,
    LEFT_COUNTS,
    LEFT_MM,
    MANAGER,
    READINESS,
    SPECIFICATION,
    TAPE,
    TECHNICIAN,
    at,
    corner_result,
    height_state,
    round_entry,
)

CONSEQUENCES = doc.Consequences(
    heave_change_mm=-3.75,
    pitch_change_mm=-7.5,
    roll_change_mm=-4.0,
    warp_change_mm=-3.0,
    ground_clearance_change_mm=-3.75,
    headlamp_inclination_change_pct=-0.26,
    ground_clearance_mm=doc.BeforeAfter(194.0, 190.25),
    headlamp_height_mm=doc.BeforeAfter(857.75, 850.25),
    headlamp_inclination_pct=doc.BeforeAfter(-1.2, -1.46),
    static_stability_factor=doc.BeforeAfter(1.1112, 1.117),
    approach_deg=doc.BeforeAfter(18.84, 18.02),
    departure_deg=doc.BeforeAfter(15.6, 15.95),
    breakover_deg=doc.BeforeAfter(16.7, 16.35),
)
"""Of a body whose every length is known."""
HEIGHTS_ALONE = doc.Consequences(7.12, -14.75, 0.0, -0.75, 7.12, -0.511)
"""Of one whose specification gives no length but wheelbase and tracks."""


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
            email="office@hollinvale.example",
        ),
        operator=doc.Party(
            "Strand Ambulance Trust", ("Quay House", "Strandby"), email="fleet@strand-ambulance.example"
        ),
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
        consequences=CONSEQUENCES,
        follow_ups=(doc.FollowUp("headlamp_aim"), doc.FollowUp("driver_assistance")),
        signatures=(doc.Signature(TECHNICIAN, "technician", "work_complete", at(90), HASH),),
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
        consequences=None,
        follow_ups=(),
        rounds=(round_entry(1, 18, (487.0, 485.5, 504.5, 505.0), FOUND_COUNTS),),
    )


def findings_report() -> doc.Document:
    """A slow leak at the rear left: measured, not adjusted, sent away to be mended."""
    sample = certificate()
    rates = {corner: doc.CornerLeakRate(0.2, 0.4, "within") for corner in CORNERS}
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
        leak_tests=(doc.LeakTestEntry(at(20), at(80), 1.0, {**rates, "RL": doc.CornerLeakRate(4.6, 0.4, "outside")}),),
        findings=(doc.FindingEntry("leak_outside", "stop", "4.6 mm/h against a limit of 1.0 mm/h.", "RL"),),
        ending=doc.Ending(
            "The rear left corner loses height faster than its limit",
            TECHNICIAN,
            (
                "Find and mend the leak at the rear left air spring.",
                "Repeat the leak test before any adjustment.",
            ),
            role="technician",
            ended_at=at(90),
            content_sha256=HASH,
        ),
        consequences=None,
        follow_ups=(),
        signatures=(),
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
        consequences=HEIGHTS_ALONE,
        follow_ups=(doc.FollowUp("not_adjustable_here", corner="FL"), doc.FollowUp("headlamp_aim")),
        replaces=doc.Replacement("2026-0042", "VIN corrected.", MANAGER, at(93)),
        single_person_workshop=True,
    )


def repaired() -> doc.Document:
    """Found low at the front left, whose sensor was then replaced within the job."""
    sample = certificate()
    found = height_state((470.0, 486.5, 505.5, 503.0), minutes=18, rounds=(1,), verdict="outside")
    found.corners["FL"] = replace(found.corners["FL"], overtaken_by="height sensor replaced")
    return replace(
        sample,
        number="2026-0046",
        job=replace(sample.job, reason="complaint"),
        as_found=found,
        rounds=(round_entry(1, 18, (470.0, 486.5, 505.5, 503.0), FOUND_COUNTS), sample.rounds[1]),
        events=(doc.EventEntry("sensor_replaced", at(30), "FL", "new height sensor"),),
        findings=(
            doc.FindingEntry(
                "corner_not_responding",
                "stop",
                "After a write a move of 16.0 mm was expected, and 0.5 mm was measured.",
                "FL",
                status="settled",
                settled=f"height sensor replaced, Front left, recorded by {TECHNICIAN}, 6 Oct 2026, 08:42",
            ),
        ),
    )


def reverted() -> doc.Document:
    """Written once, then brought back to the set-points found."""
    sample = certificate()
    back = doc.WriteEntry(
        2,
        at(60),
        TECHNICIAN,
        True,
        {"FL": doc.CornerWrite(116, 128, 128), "FR": doc.CornerWrite(127, 131, 131)},
        "reversion",
    )
    return replace(
        sample,
        kind="findings_report",
        number="2026-0047",
        job=replace(sample.job, reason="complaint", state="reverted"),
        as_left=height_state((497.0, 490.5, 505.0, 503.5), minutes=74, rounds=(2,), verdict="outside"),
        setpoints={corner: doc.SetpointSummary(count, count, 125) for corner, count in FOUND_COUNTS.items()},
        writes=(*sample.writes, back),
        rounds=(sample.rounds[0], replace(round_entry(2, 74, FOUND_MM, FOUND_COUNTS), measured_by="Jo Ahlin")),
        events=(),
        consequences=None,
        follow_ups=(),
        signatures=(),
        ending=doc.Ending("The operator wants it back", MANAGER, (), "manager", at(50), HASH),
    )


def concession_after_everything() -> doc.Document:
    """A certificate with about all that one job can bring: six rounds, four writes, a strike, a concession."""
    sample = rear_only_with_concession()
    assert sample.as_left is not None
    rounds = tuple(round_entry(n, 10 * n, FOUND_MM, FOUND_COUNTS) for n in range(1, 7))
    entered = doc.WriteEntry(
        1,
        at(41),
        TECHNICIAN,
        True,
        {corner: doc.CornerWrite(-12, -6, -6) for corner in CORNERS_OF["rear"]},
        "entered",
        "The proposal asked for more than the line pressure of that day would have held; half of it first.",
    )
    back = {corner: doc.CornerWrite(-6, -12, -12) for corner in CORNERS_OF["rear"]}
    writes = [entered, replace(entered, number=2, proposal="reversion", corners=back, justification="")]
    writes += [replace(entered, number=n, proposal="computed", justification="") for n in (3, 4)]
    return replace(
        sample,
        number="2026-0052",
        as_left=replace(sample.as_left, rounds=(6,)),
        job=replace(
            sample.job,
            note="Grounds on the ferry's ramp at low tide; the driver asks for as much clearance as is allowed.",
            remark="The concession was explained to the driver, who signed for it at the desk. The front springs are "
            "those of the heavier series and were not touched; headlamps are to be aimed before the next night run.",
        ),
        rounds=rounds,
        writes=tuple(writes),
        strikes=(
            doc.Strike(2, "RR", 493.0, 503.0, "Read from the lip of the arch.", "Jo Ahlin", at(24), after_verdict=True),
        ),
        findings=(
            doc.FindingEntry(
                "pair_disagrees",
                "review",
                "The readings differed by 10.0 mm; repeated readings may by 2.9 mm.",
                "RR",
                status="settled",
                settled="a reading was struck and replaced by Jo Ahlin, 6 Oct 2026, 08:36",
            ),
            doc.FindingEntry(
                "write_not_verified",
                "review",
                "3 was to be stored, and 1 was read back.",
                "RL",
                doc.Ruling("accept", "Within the resolution of the tool used.", MANAGER, at(50), True),
                "settled",
            ),
            doc.FindingEntry(
                "not_adjustable_here", "note", "No set-point could bring this within tolerance.", "FL", status="note"
            ),
        ),
        departures=("The job was paused by Ilse Mørk, 6 Oct 2026, 08:52: waiting for the operator's word.",),
        approvals=(
            *sample.approvals,
            doc.ApprovalEntry(
                "proposal",
                "approve",
                "Looked at the vehicle and the figures; go ahead.",
                MANAGER,
                "deputy",
                at(40),
                content_sha256=HASH,
            ),
        ),
    )


def reverted_after_everything() -> doc.Document:
    """A findings report with about all: a concession, a leak test, a strike, and the set-points brought back."""
    sample, full = reverted(), concession_after_everything()
    assert sample.as_left is not None
    left = sample.as_left
    judged = {c: corner_result(c, left.corners[c].mean_mm, target_mm=518.0) for c in CORNERS_OF["rear"]}
    return replace(
        sample,
        number="2026-0053",
        job=replace(sample.job, note=full.job.note),
        as_left=replace(left, rounds=(6,), corners={**left.corners, **judged}),
        rounds=full.rounds,
        writes=(*sample.writes, replace(sample.writes[0], number=3), replace(sample.writes[1], number=4)),
        strikes=full.strikes,
        findings=full.findings,
        departures=(
            *full.departures,
            "Return to the earlier set-points was decided by Tomas Weißmüller, 09:02: asked.",
        ),
        approvals=full.approvals,
        concession=full.concession,
        leak_tests=findings_report().leak_tests,
        ending=doc.Ending(
            "The operator wants it back until the headlamps can be aimed",
            MANAGER,
            (
                "Rear right sinks faster than it may: have the leak repaired.",
                "Front left responds weakly: have linkage, damper and air supply checked.",
            ),
            "manager",
            at(50),
            HASH,
        ),
    )


ORDINARY = {
    "certificate": certificate,
    "left_alone": left_alone,
    "findings_report": findings_report,
    "rear_only_with_concession": rear_only_with_concession,
    "repaired": repaired,
    "reverted": reverted,
    "concession_after_everything": concession_after_everything,
    "reverted_after_everything": reverted_after_everything,
}

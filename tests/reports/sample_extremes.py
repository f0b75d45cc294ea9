"""Invented documents with everything at its longest or at its shortest, and the list of them all."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from datetime import date
from typing import Any, get_type_hints

from calibration.metrology.corners import CORNERS
from reports.certificate import document as doc

from .sample_documents import ORDINARY, certificate, concession_after_everything, findings_report
from .sample_parts import FOUND_COUNTS, FOUND_MM, HASH, MANAGER, READINESS, TAPE, TECHNICIAN, at, round_entry

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
        workshop=doc.Party(
            f"{LONG} & Söhne", tuple(f"{LONG} {line}" for line in range(4)), email=f"{LONG}@example.test"
        ),
        operator=doc.Party(f"Operator {LONG}", (LONG, LONG), email=f"{LONG}@operator.example"),
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
        replaces=doc.Replacement("HOLLINVALE-2026-000000000041", LONG_SENTENCE, MANAGER, at(93)),
        units=doc.Units("inch", "mile", "psi"),
    )


NAME_OF_80 = ("Wilhelmina-Alexandrina van der Meulen-Ostrowska of the northern night shift " * 2)[:80]
REMARK_OF_2000 = ("The vehicle stood on the ramp overnight and was measured again in the morning. " * 26)[:2000]


def busy() -> doc.Document:
    """Twenty rounds, names of 80 characters, remarks of 2,000."""
    sample = certificate()
    rounds = tuple(
        replace(round_entry(number, 18 + number, FOUND_MM, FOUND_COUNTS), measured_by=NAME_OF_80)
        for number in range(1, 21)
    )
    return replace(
        sample,
        number="2026-0048",
        operator=doc.Party(NAME_OF_80, (NAME_OF_80,)),
        job=replace(sample.job, note=REMARK_OF_2000, remark=REMARK_OF_2000),
        rounds=rounds,
        writes=tuple(replace(sample.writes[0], number=n, written_by=NAME_OF_80) for n in range(1, 6)),
        readiness=tuple(replace(entry, checked_by=NAME_OF_80) for entry in READINESS),
        signatures=(doc.Signature(NAME_OF_80, "technician", "work_complete", at(90), HASH),),
    )


def long() -> doc.Document:
    """A job that does not fit on two pages: eight rounds, six writes, ten findings."""
    full = concession_after_everything()
    return replace(
        full,
        number="2026-0054",
        rounds=tuple(replace(full.rounds[0], number=n, taken_at=at(10 * n)) for n in range(1, 9)),
        writes=tuple(replace(full.writes[0], number=n, written_at=at(10 * n + 5)) for n in range(1, 7)),
        findings=(full.findings * 4)[:10],
    )


def bare() -> doc.Document:
    """Ended at once: no round, no specification, no tyres, no instrument, no operator."""
    return replace(
        findings_report(),
        number="2026-0049",
        operator=None,
        tyres={},
        specification=None,
        as_found=None,
        setpoints={},
        rounds=(),
        readiness=(),
        leak_tests=(),
        instruments=(),
        findings=(),
        calculation_version="",
    )


FREE_TEXTS = {"note", "remark", "reason", "detail", "justification", "settled", "overtaken_by"}
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


ALL = {**ORDINARY, "extreme": extreme, "busy": busy, "long": long, "bare": bare}

"""Everything a certificate or findings report says, as one snapshot that is stored as JSON.

A document is taken from the records once, when it is issued. The pages are drawn from nothing else, so that
they can be drawn again for ever: `to_json` and `from_json` are exact inverses. All lengths are unrounded
millimetres; rounding and the reader's units belong to the pages. Times carry their offset.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from cattrs import BaseValidationError, transform_error
from cattrs.preconf.json import make_converter

from calibration.metrology.corners import Corner

from .heights import HeightState, InstrumentEntry, LeakTestEntry, RoundEntry, Strike
from .identity import JobSummary, Party, SpecificationSummary, Tyre, Units, VehicleIdentity
from .work import (
    ApprovalEntry,
    Concession,
    Consequences,
    Ending,
    EventEntry,
    FindingEntry,
    FollowUp,
    ReadinessEntry,
    Replacement,
    SetpointSummary,
    Signature,
    WriteEntry,
)

SCHEMA_VERSION = 2

DocumentKind = Literal["certificate", "findings_report"]


@dataclass(frozen=True, slots=True)
class Document:
    """A certificate (job signed off) or findings report (job ended otherwise)."""

    kind: DocumentKind
    number: str
    issued_at: datetime
    verification_code: str
    verification_url: str
    workshop: Party
    operator: Party | None
    vehicle: VehicleIdentity
    job: JobSummary
    calculation_version: str
    tyres: dict[Corner, Tyre] = field(default_factory=dict)
    specification: SpecificationSummary | None = None
    as_found: HeightState | None = None
    as_left: HeightState | None = None
    setpoints: dict[Corner, SetpointSummary] = field(default_factory=dict)
    writes: tuple[WriteEntry, ...] = ()
    rounds: tuple[RoundEntry, ...] = ()
    strikes: tuple[Strike, ...] = ()
    readiness: tuple[ReadinessEntry, ...] = ()
    leak_tests: tuple[LeakTestEntry, ...] = ()
    instruments: tuple[InstrumentEntry, ...] = ()
    findings: tuple[FindingEntry, ...] = ()
    approvals: tuple[ApprovalEntry, ...] = ()
    concession: Concession | None = None
    events: tuple[EventEntry, ...] = ()
    not_adjustable_here: tuple[Corner, ...] = ()
    consequences: Consequences | None = None
    """None where a height is missing, or as found and as left are one measurement."""
    follow_ups: tuple[FollowUp, ...] = ()
    cautions: tuple[str, ...] = ()
    """Further cautions of this job; the standing ones are part of every page."""
    departures: tuple[str, ...] = ()
    """Departures from the method, and results that others provided (one sentence each)."""
    signatures: tuple[Signature, ...] = ()
    ending: Ending | None = None
    replaces: Replacement | None = None
    single_person_workshop: bool = False
    photos: int = 0
    units: Units = field(default_factory=Units)
    language: str = "en"
    schema_version: int = SCHEMA_VERSION

    @property
    def counted_rounds(self) -> tuple[RoundEntry, ...]:
        """Without those that were only received once more."""
        return tuple(each for each in self.rounds if each.repeats is None)

    @property
    def counted_writes(self) -> tuple[WriteEntry, ...]:
        """Without those that were only received once more."""
        return tuple(each for each in self.writes if each.repeats is None)


class DocumentError(ValueError):
    """A snapshot that is no document of this schema version; names every field that is wrong."""


_converter = make_converter(forbid_extra_keys=True)


def to_json(document: Document) -> dict[str, Any]:
    """The snapshot as plain JSON values (dates and times as ISO 8601 text)."""
    plain: dict[str, Any] = _converter.unstructure(document)
    return plain


def from_json(plain: Mapping[str, Any]) -> Document:
    """The document of a stored snapshot; `DocumentError` names the fields that do not fit."""
    version = plain.get("schema_version")
    if version != SCHEMA_VERSION:
        raise DocumentError(f"schema_version is {version!r}; this renderer reads {SCHEMA_VERSION}")
    try:
        return _converter.structure(plain, Document)
    except BaseValidationError as error:
        raise DocumentError("; ".join(transform_error(error))) from error

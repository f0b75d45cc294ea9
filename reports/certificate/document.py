"""Everything a certificate or findings report says, as one snapshot that is stored as JSON.

A document is taken from the records once, when it is issued. The pages are drawn from nothing else, so that
they can be drawn again for ever: `to_json` and `from_json` are exact inverses. All lengths are unrounded
millimetres; rounding and the reader's units belong to the pages. Times carry their offset.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

from cattrs import BaseValidationError, transform_error
from cattrs.preconf.json import make_converter

from calibration.metrology.corners import Axle, Corner

SCHEMA_VERSION = 1

DocumentKind = Literal["certificate", "findings_report"]
Verdict = Literal["within", "outside", "undecided"]
Severity = Literal["note", "review", "stop"]
LengthUnit = Literal["mm", "inch"]
DistanceUnit = Literal["km", "mile"]
PressureUnit = Literal["kpa", "bar", "psi"]


@dataclass(frozen=True, slots=True)
class Units:
    """How the reader wants figures shown; the snapshot itself is always mm, km and kPa."""

    length: LengthUnit = "mm"
    distance: DistanceUnit = "km"
    pressure: PressureUnit = "kpa"


@dataclass(frozen=True, slots=True)
class Party:
    """The workshop or the operator, as addressed on the page; `address` holds its lines."""

    name: str
    address: tuple[str, ...] = ()
    contact: str = ""


@dataclass(frozen=True, slots=True)
class VehicleIdentity:
    """The vehicle as it stood in the workshop; `note` tells of a VIN correction or a refiling."""

    vin: str
    registration: str
    make: str
    model: str
    model_year: int | None
    odometer_km: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Tyre:
    size: str
    load_index: str = ""
    speed_symbol: str = ""
    tread_mm: float | None = None
    pressure_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class JobSummary:
    """`reason` and `state` are the codes of the interface (`sensor_replaced`, `signed_off`, ...)."""

    number: str
    reason: str
    state: Literal["signed_off", "ended", "reverted"]
    opened_at: datetime
    closed_at: datetime
    place: str = ""
    note: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class AxleTarget:
    """One axle of the specification; the set-point band is None on an axle that nothing controls."""

    target_mm: float
    tolerance_mm: float
    setpoint_low: int | None = None
    setpoint_high: int | None = None


@dataclass(frozen=True, slots=True)
class SpecificationSummary:
    revision: int
    source_kind: Literal["manufacturer", "own_measurements", "operator"]
    source: str
    effective_from: date
    measuring_condition: str
    front: AxleTarget
    rear: AxleTarget
    side_difference_max_mm: float
    settling_mm: float
    setpoint_min: int | None = None
    setpoint_max: int | None = None
    setpoint_kind: Literal["absolute", "offset"] = "absolute"
    setpoint_base: Literal["decimal", "hexadecimal"] = "decimal"
    controlled_corners: tuple[Corner, ...] = ("FL", "FR", "RL", "RR")
    linked_corners: tuple[tuple[Corner, Corner], ...] = ()


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One component of an uncertainty budget; `degrees_of_freedom` None means infinite."""

    component: str
    standard_uncertainty_mm: float
    degrees_of_freedom: float | None = None


@dataclass(frozen=True, slots=True)
class CornerResult:
    """A corner's pooled height. Target, deviation and verdict are None where no specification judges it.

    `target_mm` is the one that the verdict went by (a concession's, where one was granted). `void_reason`
    says why an as-found height no longer counts for assessment, for example a sensor replaced within the job.
    """

    mean_mm: float
    expanded_uncertainty_mm: float
    coverage_factor: float
    standard_uncertainty_mm: float
    degrees_of_freedom: float | None
    readings: int
    rounds: int
    target_mm: float | None = None
    tolerance_mm: float | None = None
    deviation_mm: float | None = None
    verdict: Verdict | None = None
    conformance_probability: float | None = None
    adjustable: bool = True
    estimator: Literal["mean", "median"] = "mean"
    void_reason: str = ""
    budget: tuple[BudgetLine, ...] = ()


@dataclass(frozen=True, slots=True)
class SideResult:
    """Left minus right of one axle."""

    difference_mm: float
    expanded_uncertainty_mm: float
    limit_mm: float | None = None
    verdict: Verdict | None = None
    adjustable: bool = True


@dataclass(frozen=True, slots=True)
class Modes:
    heave_mm: float
    pitch_mm: float
    roll_mm: float
    warp_mm: float


@dataclass(frozen=True, slots=True)
class HeightState:
    """The vehicle as found or as left; `rounds` numbers the rounds pooled, `taken_at` is the last one's."""

    taken_at: datetime
    rounds: tuple[int, ...]
    corners: dict[Corner, CornerResult]
    verdict: Verdict | None = None
    sides: dict[Axle, SideResult] = field(default_factory=dict)
    modes: Modes | None = None


@dataclass(frozen=True, slots=True)
class SetpointSummary:
    """A controlled corner's stored counts."""

    as_found: int | None
    as_left: int | None
    baseline: int | None


@dataclass(frozen=True, slots=True)
class CornerWrite:
    """`intended` is None where the write had no proposal."""

    before: int
    intended: int | None
    read_back: int


@dataclass(frozen=True, slots=True)
class WriteEntry:
    number: int
    written_at: datetime
    written_by: str
    verified: bool
    corners: dict[Corner, CornerWrite]
    proposal: Literal["computed", "entered", "reversion"] | None = None
    justification: str = ""


@dataclass(frozen=True, slots=True)
class ReadingEntry:
    """One tape reading; `struck` readings stay visible. Names stand where they differ from the round's."""

    corner: Corner
    height_mm: float
    struck: bool = False
    measured_by: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class RoundEntry:
    """`instrument` is the serial of one of the document's instruments."""

    number: int
    taken_at: datetime
    measured_by: str
    instrument: str
    readings: tuple[ReadingEntry, ...]
    setpoints: dict[Corner, int] = field(default_factory=dict)
    ride_position: str = "normal"
    settled: bool = True
    temperature_deg_c: float | None = None
    from_paper: bool = False


@dataclass(frozen=True, slots=True)
class Strike:
    """A reading struck out and replaced. `self_approved`: by the only person of a one-person workshop."""

    round: int
    corner: Corner
    height_mm: float
    replacement_mm: float | None
    reason: str
    struck_by: str
    struck_at: datetime
    after_verdict: bool = False
    self_approved: bool = False


@dataclass(frozen=True, slots=True)
class ReadinessEntry:
    """The last outcome of one item; an item never done is given as `not_done`, without person and time."""

    item: str
    outcome: Literal["pass", "fail", "not_done", "not_applicable"]
    note: str = ""
    checked_by: str = ""
    checked_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class CornerLeakRate:
    rate_mm_per_h: float
    expanded_uncertainty_mm_per_h: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class LeakTestEntry:
    started_at: datetime
    ended_at: datetime
    limit_mm_per_h: float
    corners: dict[Corner, CornerLeakRate]
    temperature_corrected: bool = False


@dataclass(frozen=True, slots=True)
class InstrumentEntry:
    """Either an accuracy class or a certificate's expanded uncertainty with its coverage factor."""

    serial: str
    kind: Literal["tape", "rule", "laser"]
    resolution_mm: float
    calibrated_on: date | None
    calibration_due_on: date | None
    length_mm: float | None = None
    accuracy_class: Literal["I", "II", "III"] | None = None
    certificate_expanded_uncertainty_mm: float | None = None
    certificate_coverage_factor: float | None = None
    calibration_reference: str = ""


@dataclass(frozen=True, slots=True)
class Ruling:
    decision: Literal["accept", "reject"]
    reason: str
    ruled_by: str
    ruled_at: datetime
    self_approved: bool = False


@dataclass(frozen=True, slots=True)
class FindingEntry:
    """`code` as in the interface; `detail` is the sentence stored with the finding."""

    code: str
    severity: Severity
    detail: str
    corner: Corner | None = None
    ruling: Ruling | None = None


@dataclass(frozen=True, slots=True)
class ApprovalEntry:
    """`self_approved`: by the only person of a one-person workshop, after the consequences were shown."""

    subject: Literal["proposal", "concession", "sign_off"]
    decision: Literal["approve", "refuse"]
    reason: str
    decided_by: str
    role: str
    decided_at: datetime
    self_approved: bool = False
    content_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Concession:
    """Targets other than the specification's, for this job; its approval is among the approvals."""

    front_target_mm: float
    rear_target_mm: float
    reason: str
    acknowledged_by: str
    acknowledged_on: date


@dataclass(frozen=True, slots=True)
class EventEntry:
    """Something done to the vehicle within the job (`sensor_replaced`, `leak_repaired`, ...)."""

    kind: str
    happened_at: datetime
    corner: Corner | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Further work; known codes: headlamp_aim, wheel_alignment, driver_assistance, not_adjustable_here."""

    code: str
    detail: str = ""
    corner: Corner | None = None


@dataclass(frozen=True, slots=True)
class Ending:
    """Why a job ended without sign-off, and what has to be mended (one sentence each)."""

    reason: str
    ended_by: str
    to_mend: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Signature:
    """`meaning` is a code: work_complete, job_ended, reverted, approval, certificate_replaced."""

    name: str
    role: str
    meaning: str
    signed_at: datetime
    content_sha256: str


@dataclass(frozen=True, slots=True)
class LedgerReference:
    """Where the record stands in the vehicle's ledger; the checkpoint's text once one includes it."""

    sequence: int
    entry_hash: str
    checkpoint: str = ""


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
    follow_ups: tuple[FollowUp, ...] = ()
    cautions: tuple[str, ...] = ()
    """Further cautions of this job; the standing ones are part of every page."""
    departures: tuple[str, ...] = ()
    """Departures from the method, and results that others provided (one sentence each)."""
    signatures: tuple[Signature, ...] = ()
    ending: Ending | None = None
    ledger: LedgerReference | None = None
    replaces: str = ""
    replacement_reason: str = ""
    single_person_workshop: bool = False
    photos: int = 0
    units: Units = field(default_factory=Units)
    language: str = "en"
    schema_version: int = SCHEMA_VERSION


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

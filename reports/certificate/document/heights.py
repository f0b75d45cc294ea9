"""What was measured: heights as found and as left, every reading behind them, and what was measured with."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from calibration.metrology.corners import Axle, Corner

Verdict = Literal["within", "outside", "undecided"]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One component of an uncertainty budget; `degrees_of_freedom` None means infinite."""

    component: str
    standard_uncertainty_mm: float
    degrees_of_freedom: float | None = None


@dataclass(frozen=True, slots=True)
class CornerResult:
    """A corner's pooled height. Target, deviation and verdict are None where no specification judges it.

    `target_mm` is the one that the verdict went by (a concession's, where one was granted). The
    verdict is the one given when it was measured; `overtaken_by` names the work done at the corner since,
    for example a sensor replaced within the job.
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
    overtaken_by: str = ""
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
class ReadingEntry:
    """One tape reading; `struck` readings stay visible. Names stand where they differ from the round's."""

    corner: Corner
    height_mm: float
    struck: bool = False
    measured_by: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class RoundEntry:
    """`instrument` is the serial of one of the document's instruments; `repeats` as for a write.

    Times of measuring and writing are those that count: the tablet's clock, put right.
    """

    number: int
    taken_at: datetime
    measured_by: str
    instrument: str
    readings: tuple[ReadingEntry, ...]
    setpoints: dict[Corner, int] = field(default_factory=dict)
    ride_position: str = "normal"
    settled: bool = True
    settling_cut_short_s: int | None = None
    temperature_deg_c: float | None = None
    from_paper: bool = False
    repeats: int | None = None


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
class CornerLeakRate:
    """Positive for sinking; without a limit there is no verdict."""

    rate_mm_per_h: float
    expanded_uncertainty_mm_per_h: float
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class LeakTestEntry:
    started_at: datetime
    ended_at: datetime
    limit_mm_per_h: float | None
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

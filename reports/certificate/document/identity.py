"""Who and what: the parties, the vehicle with its tyres, the job, the specification it is judged by."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from calibration.metrology.corners import Corner

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
    telephone: str = ""
    email: str = ""


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

"""Figures of the leak test: parked vehicles that cool down, tight ones and leaking ones, measured with a tape.

A tight vehicle is parked warm and measured cold, so that its corners sink without any leak; of a leaking one a single
corner leaks, while it gets colder or warmer. Of each corner one height is noted at the start and one at the end, as the
interface asks for; the end is another session with the tape. Ranges are invented: no design names them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.metrology.leak import CornerLeak, ParkedHeights, assess_leak
from calibration.metrology.pooling import RoundMeasurement
from calibration.metrology.readings import PRIOR_REPEATABILITY
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES, SimulatedVehicle
from tests.simulator.bench_job import TAPE
from tests.simulator.marks import Mark, share
from tests.simulator.scenarios import ARRIVES_TRUE, ESTATE, draw_case

LIMIT_MM_PER_H = 1.0
AIR_COLUMN_MM = 300.0
"""Both as in the example of the interface description."""
COLUMN_SPREAD = 0.05
"""True air columns are up to this share longer or shorter than the specification's."""
HOURS = (8.0, 16.0)
PARKED_DEG_C = (10.0, 25.0)
COOLING_K = (5.0, 25.0)
LEAKS_MM_PER_H = (1.2, 4.0)
THERMOMETER_SD_K = 1.0


@dataclass(frozen=True, slots=True)
class Night:
    """How long a vehicle was parked, between which temperatures, and what leaked."""

    hours: float
    start_deg_c: float
    end_deg_c: float
    leaks_mm_per_h: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Tested:
    """A corner's true rate and what the test found."""

    true_mm_per_h: float
    found: CornerLeak


def tight_corners(vehicles: int, random_seed: int, *, corrected: bool = True) -> list[Tested]:
    """Every corner of vehicles without a leak, parked warm and measured cold."""
    tested = []
    for number in range(vehicles):
        rng = np.random.default_rng((random_seed, 4, number))
        tested += _tested(_night(rng, cooling_sign=1.0, leaking=False), rng, corrected)
    return tested


def leaking_corners(vehicles: int, random_seed: int, *, corrected: bool = True) -> list[Tested]:
    """The leaking corner of each vehicle, parked over a night that got colder or warmer."""
    tested = []
    for number in range(vehicles):
        rng = np.random.default_rng((random_seed, 5, number))
        night = _night(rng, cooling_sign=float(rng.choice((-1.0, 1.0))), leaking=True)
        tested += [each for each in _tested(night, rng, corrected) if each.true_mm_per_h > 0]
    return tested


def _night(rng: np.random.Generator, *, cooling_sign: float, leaking: bool) -> Night:
    start = rng.uniform(*PARKED_DEG_C)
    end = start - cooling_sign * rng.uniform(*COOLING_K)
    leaks = {str(rng.choice(CORNER_NAMES)): rng.uniform(*LEAKS_MM_PER_H)} if leaking else {}
    return Night(rng.uniform(*HOURS), start, end, leaks)


def _tested(night: Night, rng: np.random.Generator, corrected: bool) -> list[Tested]:
    """Parked, measured, left alone, measured; `corrected` where somebody noted the temperatures."""
    vehicle = draw_case(ARRIVES_TRUE, ESTATE, rng).vehicle
    columns = AIR_COLUMN_MM * rng.uniform(1.0 - COLUMN_SPREAD, 1.0 + COLUMN_SPREAD, len(CORNER_NAMES))
    start = _measured(vehicle, 0.0, night.start_deg_c if corrected else None, rng)
    vehicle.park(night.hours, night.leaks_mm_per_h, columns.tolist(), night.start_deg_c, night.end_deg_c)
    end = _measured(vehicle, night.hours, night.end_deg_c if corrected else None, rng)
    test = assess_leak(start, end, limit_mm_per_h=LIMIT_MM_PER_H, air_column_mm=AIR_COLUMN_MM)
    return [Tested(night.leaks_mm_per_h.get(each.corner, 0.0), each) for each in test.corners]


def _measured(
    vehicle: SimulatedVehicle, hours: float, true_deg_c: float | None, rng: np.random.Generator
) -> ParkedHeights:
    session = Tape(rng)
    readings = tuple((float(session.read(vehicle, corner)),) for corner in CORNER_NAMES)
    read_deg_c = None if true_deg_c is None else true_deg_c + float(rng.normal(0.0, THERMOMETER_SD_K))
    return ParkedHeights(hours, RoundMeasurement(readings, PRIOR_REPEATABILITY, (TAPE,)), read_deg_c)


def marks_of_leaks(tight: Sequence[Tested], leaking: Sequence[Tested]) -> list[Mark]:
    """What is asked of the leak test, and what else became of the corners."""
    off = [abs(each.found.rate_mm_per_h - each.true_mm_per_h) for each in (*tight, *leaking)]
    allowed = [each.found.expanded_uncertainty_mm_per_h for each in (*tight, *leaking)]
    return [
        share("cooling alone called a leak", [each.found.verdict == "outside" for each in tight]),
        share("leaks called tight", [each.found.verdict == "within" for each in leaking]),
        share("tight corners that pass at once", [each.found.verdict == "within" for each in tight]),
        share("leaks found at once", [each.found.verdict == "outside" for each in leaking]),
        share("true sinking rates within ± U", np.array(off) <= np.array(allowed)),
    ]

"""Specifications and kinds of vehicles that the simulator draws from; every name and figure is invented.

Specifications have the fields of the REST interface's specification resource.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from reports.demo.simulated_vehicle import CORNER_NAMES, HEALTHY, SimulatedVehicle, draw_truth

Faults = tuple[str, str, str, str]
MOST_MIXED_MM = 22.0

COMMON: dict[str, Any] = {
    "effective_from": "2026-01-01",
    "source_kind": "own_measurements",
    "source": "Invented for the simulator",
    "measuring_condition": "empty, half tank",
    "wheelbase_mm": 2885,
    "track_front_mm": 1605,
    "track_rear_mm": 1613,
    "settling_mm": 1.5,
    "setpoint_kind": "absolute",
}

ESTATE: dict[str, Any] = COMMON | {
    "setpoint_min": 0,
    "setpoint_max": 255,
    "front": {
        "target_mm": 486,
        "tolerance_mm": 6,
        "setpoint_low": 40,
        "setpoint_high": 215,
        "response_mm_per_count": 0.9,
        "response_sd": 0.15,
        "axle_load_kg": 1450,
    },
    "rear": {
        "target_mm": 504,
        "tolerance_mm": 6,
        "setpoint_low": 40,
        "setpoint_high": 215,
        "response_mm_per_count": 1.05,
        "response_sd": 0.18,
        "axle_load_kg": 1650,
    },
    "side_difference_max_mm": 8,
    "step_max_counts": 20,
    "shift_review_counts": 40,
    "shift_limit_counts": 60,
    "warp_max_mm": 6,
    "warp_change_max_mm": 20,
}
"""The example of the interface description."""

AMBULANCE: dict[str, Any] = COMMON | {
    "setpoint_min": -128,
    "setpoint_max": 127,
    "setpoint_kind": "offset",
    "front": {
        "target_mm": 512,
        "tolerance_mm": 8,
        "setpoint_low": -100,
        "setpoint_high": 100,
        "response_mm_per_count": -0.75,
        "response_sd": 0.12,
        "axle_load_kg": 1900,
    },
    "rear": {
        "target_mm": 530,
        "tolerance_mm": 8,
        "setpoint_low": -100,
        "setpoint_high": 100,
        "response_mm_per_count": -0.85,
        "response_sd": 0.14,
        "axle_load_kg": 2600,
    },
    "side_difference_max_mm": 10,
    "step_max_counts": 30,
    "shift_review_counts": 55,
    "shift_limit_counts": 80,
    "warp_max_mm": 8,
    "warp_change_max_mm": 25,
}
"""More counts mean less height."""

SAFARI: dict[str, Any] = COMMON | {
    "setpoint_min": 0,
    "setpoint_max": 1023,
    "front": {
        "target_mm": 548,
        "tolerance_mm": 10,
        "setpoint_low": 300,
        "setpoint_high": 700,
        "response_mm_per_count": 1.8,
        "response_sd": 0.3,
        "axle_load_kg": 1500,
    },
    "rear": {
        "target_mm": 566,
        "tolerance_mm": 10,
        "setpoint_low": 300,
        "setpoint_high": 700,
        "response_mm_per_count": 2.1,
        "response_sd": 0.35,
        "axle_load_kg": 1900,
    },
    "side_difference_max_mm": 12,
    "step_max_counts": 8,
    "shift_review_counts": 24,
    "shift_limit_counts": 36,
    "warp_max_mm": 8,
    "warp_change_max_mm": 25,
}
"""Steep responses under a short step limit."""

SALOON: dict[str, Any] = COMMON | {
    "setpoint_min": -2000,
    "setpoint_max": 2000,
    "front": {
        "target_mm": 401,
        "tolerance_mm": 4,
        "setpoint_low": -300,
        "setpoint_high": 300,
        "response_mm_per_count": 1.1,
        "response_sd": 0.11,
        "axle_load_kg": 1250,
    },
    "rear": {
        "target_mm": 396,
        "tolerance_mm": 5,
        "setpoint_low": -300,
        "setpoint_high": 300,
        "response_mm_per_count": 1.2,
        "response_sd": 0.12,
        "axle_load_kg": 1250,
    },
    "side_difference_max_mm": 7,
    "step_max_counts": 25,
    "shift_review_counts": 45,
    "shift_limit_counts": 70,
    "warp_max_mm": 6,
    "warp_change_max_mm": 20,
}
"""A tolerance that a tape can only just decide."""

REAR_AIR_VAN: dict[str, Any] = ESTATE | {
    "front": {"target_mm": 470, "tolerance_mm": 12},
    "controlled_corners": ["RL", "RR"],
}
"""Steel springs at the front."""

LINKED_REAR: dict[str, Any] = ESTATE | {"linked_corners": [["RL", "RR"]]}
"""One sensor for both rear corners."""

SPECIFICATIONS: dict[str, dict[str, Any]] = {
    "estate": ESTATE,
    "ambulance": AMBULANCE,
    "safari": SAFARI,
    "saloon": SALOON,
}
SPECIAL_SPECIFICATIONS: dict[str, dict[str, Any]] = {"rear_air_van": REAR_AIR_VAN, "linked_rear": LINKED_REAR}


@dataclass(frozen=True, slots=True)
class Scenario:
    """How a kind of vehicle is off: errors in mm, the fault of one controlled corner, the tape's slip share.

    The faulty corner is off by `least_fault_mm` or more: a smaller error of it is drawn again, up to 22 mm.
    """

    name: str
    errors: Callable[[Mapping[str, Any], np.random.Generator], np.ndarray]
    fault: str = HEALTHY
    slip_share: float = 0.01
    least_fault_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Case:
    """One drawn vehicle and what was wrong with it."""

    vehicle: SimulatedVehicle
    error_mm: np.ndarray
    faults: Faults


def draw_case(scenario: Scenario, specification: Mapping[str, Any], rng: np.random.Generator) -> Case:
    """A vehicle of this scenario. Uncontrolled corners stand true and linked corners are off together."""
    controlled = tuple(specification.get("controlled_corners", CORNER_NAMES))
    error = scenario.errors(specification, rng)
    larger = (
        np.copysign(rng.uniform(scenario.least_fault_mm, MOST_MIXED_MM, 4), error) if scenario.least_fault_mm else error
    )
    faults = _faults(scenario.fault, controlled, rng)
    too_small = _moving_with_a_fault(faults, specification) & (np.abs(error) < scenario.least_fault_mm)
    error = _reachable(np.where(too_small, larger, error), specification)
    truth = draw_truth(specification, error, faults, rng)
    return Case(SimulatedVehicle(truth, controlled, rng), error, faults)


def _reachable(error: np.ndarray, specification: Mapping[str, Any]) -> np.ndarray:
    controlled = specification.get("controlled_corners", CORNER_NAMES)
    error = np.where([name in controlled for name in CORNER_NAMES], error, 0.0)
    for first, second in specification.get("linked_corners", ()):
        error[CORNER_NAMES.index(second)] = error[CORNER_NAMES.index(first)]
    return error


def _moving_with_a_fault(faults: Faults, specification: Mapping[str, Any]) -> np.ndarray:
    """The faulty corner, and the one that is linked to it."""
    faulty = np.array([fault != HEALTHY for fault in faults])
    for pair in specification.get("linked_corners", ()):
        places = [CORNER_NAMES.index(corner) for corner in pair]
        faulty[places] = faulty[places].any()
    return faulty


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice((-1.0, 1.0)))


def _one_corner(specification: Mapping[str, Any], rng: np.random.Generator) -> np.ndarray:
    controlled = specification.get("controlled_corners", CORNER_NAMES)
    error = np.zeros(4)
    error[CORNER_NAMES.index(str(rng.choice(controlled)))] = _sign(rng) * rng.uniform(8.0, 30.0)
    return error


def _one_axle(specification: Mapping[str, Any], rng: np.random.Generator) -> np.ndarray:
    rear = bool(rng.integers(2)) or "controlled_corners" in specification
    off = _sign(rng) * rng.uniform(8.0, 25.0)
    return np.array([0.0, 0.0, off, off] if rear else [off, off, 0.0, 0.0])


def _all_alike(_: Mapping[str, Any], rng: np.random.Generator) -> np.ndarray:
    return np.full(4, _sign(rng) * rng.uniform(8.0, 25.0))


def _mixed(_: Mapping[str, Any], rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(-MOST_MIXED_MM, MOST_MIXED_MM, 4)


def _true(specification: Mapping[str, Any], rng: np.random.Generator) -> np.ndarray:
    tolerances = [specification[axle]["tolerance_mm"] for axle in ("front", "front", "rear", "rear")]
    error: np.ndarray = rng.uniform(-0.35, 0.35, 4) * np.array(tolerances)
    return error


def _faults(fault: str, controlled: tuple[str, ...], rng: np.random.Generator) -> Faults:
    """The fault at one controlled corner, whichever."""
    at = str(rng.choice(controlled))
    a, b, c, d = (fault if name == at else HEALTHY for name in CORNER_NAMES)
    return a, b, c, d


WITH_AN_ERROR = (
    Scenario("one corner", _one_corner),
    Scenario("one axle", _one_axle),
    Scenario("all alike", _all_alike),
    Scenario("mixed", _mixed),
)
ARRIVES_TRUE = Scenario("true", _true)
FAULTY = (
    Scenario("dead corner", _mixed, "dead", least_fault_mm=12.0),
    Scenario("reversed corner", _mixed, "reversed", least_fault_mm=12.0),
    Scenario("weak corner", _mixed, "weak", least_fault_mm=12.0),
    Scenario("sticking corner", _mixed, "sticking"),
)
DEAD_AMONG_MIXED = Scenario("dead among mixed", _mixed, "dead")
"""Off by little or much."""
MISREAD = Scenario("3 % misreadings", _mixed, slip_share=0.03)

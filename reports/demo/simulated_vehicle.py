"""A simulated vehicle whose truth is hidden behind what a diagnostic tool and a tape can reach.

It knows nothing of the service: it stores set-points, reads them back, settles, and stands at some height.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

CORNER_NAMES = ("FL", "FR", "RL", "RR")
WARP_SHAPE = np.array([1.0, -1.0, -1.0, 1.0])
HEALTHY = "healthy"
FAULT_GAINS = {HEALTHY: 1.0, "dead": 0.0, "reversed": -1.0, "weak": 0.3, "sticking": 1.0}
STICKING_MM = 4.0
AIR_COLUMN_MM = 300.0
ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True)
class Truth:
    """What nobody in the bay can see. Arrays of four in the order FL, FR, RL, RR.

    `start_mm`: mean settled heights at `start_counts`; `response`: mm per count there; `gain`: 1 for a
    healthy corner.
    `arm_mm`, `arm_rad`: sensor arm and its angle at the start; `warp_lost`: share of a commanded warp that
    the body keeps back; `settling_sd_mm`: scatter of settled heights; `sticks`: corner that stops ±4 mm short
    or over.
    """

    start_mm: np.ndarray
    start_counts: np.ndarray
    response: np.ndarray
    gain: np.ndarray
    arm_mm: np.ndarray
    arm_rad: np.ndarray
    warp_lost: float
    settling_sd_mm: float
    sticks: np.ndarray


class SimulatedVehicle:
    """Write, settle and look; `controlled` corners only take set-points."""

    def __init__(self, truth: Truth, controlled: tuple[str, ...], rng: np.random.Generator) -> None:
        self._truth = truth
        self._controlled = controlled
        self.drifts_mm_per_year: dict[str, float] = {}
        self.leaks_mm_per_h: dict[str, float] = {}
        self._rng = rng
        self._counts = truth.start_counts.astype(np.int64).copy()
        self._standing_mm = truth.start_mm.copy()
        self.settle()

    def read_setpoints(self) -> dict[str, int]:
        """What a diagnostic tool reads."""
        return {name: int(self._counts[i]) for i, name in enumerate(CORNER_NAMES) if name in self._controlled}

    def write(self, setpoints: Mapping[str, int]) -> dict[str, int]:
        """Store set-points; the read-back. The vehicle only finds its new level when it settles."""
        for name, count in setpoints.items():
            self._counts[CORNER_NAMES.index(name)] = count
        return self.read_setpoints()

    def settle(self) -> None:
        """Up and back down to normal ride position: a new settled height at each corner."""
        scatter = self._rng.normal(0.0, self._truth.settling_sd_mm, 4)
        stick = np.where(self._truth.sticks, self._rng.uniform(-STICKING_MM, STICKING_MM, 4), 0.0)
        self._standing_mm = self.mean_settled_mm() + scatter + stick

    def standing_mm(self, corner: str) -> float:
        """The height at which the corner stands now: what a perfect tape would show."""
        return float(self._standing_mm[CORNER_NAMES.index(corner)])

    def stand_parked(self, hours: float, from_deg_c: float, to_deg_c: float) -> None:
        """The engine is off: leaks let corners down, and the air in the springs shrinks as it cools (Charles' law)."""
        cooling = AIR_COLUMN_MM * (to_deg_c - from_deg_c) / (from_deg_c + ZERO_CELSIUS_K)
        lost = np.array([hours * self.leaks_mm_per_h.get(name, 0.0) for name in CORNER_NAMES])
        self._standing_mm = self._standing_mm + cooling - lost

    def age(self, by_mm: Mapping[str, float], years: float = 0.0) -> None:
        """Springs sag and sensors wear: from now on these corners come to rest so much higher.

        `by_mm` is what happened all at once, beside what drifts in so many `years`.
        """
        by = np.array([by_mm.get(name, 0.0) + years * self.drifts_mm_per_year.get(name, 0.0) for name in CORNER_NAMES])
        self._truth = replace(self._truth, start_mm=self._truth.start_mm + by)
        self.settle()

    def park(
        self,
        hours: float,
        leaks_mm_per_h: Mapping[str, float],
        air_columns_mm: Sequence[float],
        start_deg_c: float,
        end_deg_c: float,
    ) -> None:
        """Engine off and levelling asleep: corners sink by their leaks, and at constant load as their air cools."""
        leaks = np.array([leaks_mm_per_h.get(name, 0.0) for name in CORNER_NAMES])
        warmer = (end_deg_c - start_deg_c) / (start_deg_c + ZERO_CELSIUS_K)
        self._standing_mm = self._standing_mm - leaks * hours + np.array(air_columns_mm) * warmer

    def repair(self, corner: str) -> None:
        """A faulty corner gets its new part and answers as it should from now on, at the counts it now has.

        It neither drifts nor leaks any more.
        """
        self.drifts_mm_per_year.pop(corner, None)
        self.leaks_mm_per_h.pop(corner, None)
        here = CORNER_NAMES.index(corner)
        healthy = np.arange(len(CORNER_NAMES)) == here
        before = self.mean_settled_mm()
        self._truth = replace(
            self._truth,
            gain=np.where(healthy, 1.0, self._truth.gain),
            sticks=np.where(healthy, False, self._truth.sticks),
        )
        self.age({corner: float(before[here] - self.mean_settled_mm()[here])})

    def true_responses(self) -> np.ndarray:
        """mm per count at the set-points that it came with; for scoring only, as the measurand below."""
        responses: np.ndarray = self._truth.gain * self._truth.response
        return responses

    def mean_settled_mm(self) -> np.ndarray:
        """The measurand, for scoring only: never shown to whoever works on the vehicle."""
        truth = self._truth
        turned = truth.response * (self._counts - truth.start_counts) / (truth.arm_mm * np.cos(truth.arm_rad))
        commanded = truth.gain * truth.arm_mm * (np.sin(truth.arm_rad + turned) - np.sin(truth.arm_rad))
        warp = float(WARP_SHAPE @ commanded) / 4.0
        moved: np.ndarray = truth.start_mm + commanded - truth.warp_lost * warp * WARP_SHAPE
        return moved


def draw_truth(
    specification: Mapping[str, Any],
    error_mm: np.ndarray,
    faults: tuple[str, str, str, str],
    rng: np.random.Generator,
) -> Truth:
    """A vehicle of this specification, off its targets by `error_mm`, with a fault or none per corner."""
    axles = [specification["front"]] * 2 + [specification["rear"]] * 2
    targets = np.array([float(axle["target_mm"]) for axle in axles])
    counts = np.array([_start_count(axle, rng) for axle in axles])
    response = np.array([float(axle.get("response_mm_per_count", 0.0)) for axle in axles])
    sd = np.array([float(axle.get("response_sd", 0.0)) for axle in axles])
    own, shared = rng.standard_normal(4), np.repeat(rng.standard_normal(2), 2)
    for first, second in specification.get("linked_corners", ()):
        i, j = CORNER_NAMES.index(first), CORNER_NAMES.index(second)
        counts[j], own[j] = counts[i], own[i]
    return Truth(
        start_mm=targets + error_mm,
        start_counts=counts,
        response=response + sd * (0.8 * shared + 0.6 * own),
        gain=np.array([FAULT_GAINS[fault] for fault in faults]),
        arm_mm=rng.uniform(160.0, 260.0, 4),
        arm_rad=rng.uniform(-math.radians(10.0), math.radians(10.0), 4),
        warp_lost=float(rng.uniform(0.0, 0.25)),
        settling_sd_mm=float(rng.uniform(0.5, 1.2)),
        sticks=np.array([fault == "sticking" for fault in faults]),
    )


def _start_count(axle: Mapping[str, Any], rng: np.random.Generator) -> int:
    """Somewhere in the middle third of the band; 0 where the axle is not controlled."""
    if "setpoint_low" not in axle:
        return 0
    low, high = axle["setpoint_low"], axle["setpoint_high"]
    third = (high - low) // 3
    return int(rng.integers(low + third, high - third + 1))

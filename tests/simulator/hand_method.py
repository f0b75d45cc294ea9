"""What a careful technician does without the service: five counts towards target until it looks right.

Mean of two readings a corner; each controlled corner beyond half its tolerance is moved five counts towards
target, settled and measured again, at most twelve times. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES, SimulatedVehicle

COUNTS_PER_MOVE = 5
MOST_WRITES = 12


@dataclass(frozen=True, slots=True)
class HandJob:
    """What the hand method took."""

    writes: int
    rounds: int
    readings: int


def work_by_hand(vehicle: SimulatedVehicle, tape: Tape, specification: Mapping[str, Any]) -> HandJob:
    """Adjust a vehicle by the hand method."""
    writes = 0
    moves = _moves(vehicle, tape, specification)
    while moves and writes < MOST_WRITES:
        now = vehicle.read_setpoints()
        vehicle.write({corner: count + moves.get(corner, 0) for corner, count in now.items()})
        vehicle.settle()
        writes += 1
        moves = _moves(vehicle, tape, specification)
    return HandJob(writes, writes + 1, tape.readings_taken)


def _moves(vehicle: SimulatedVehicle, tape: Tape, specification: Mapping[str, Any]) -> dict[str, int]:
    controlled = vehicle.read_setpoints()
    means = {corner: (tape.read(vehicle, corner) + tape.read(vehicle, corner)) / 2 for corner in CORNER_NAMES}
    linked = {second: first for first, second in specification.get("linked_corners", ())}
    moves = {corner: _move(specification, corner, means[corner]) for corner in controlled}
    for second, first in linked.items():
        moves[second] = moves[first]
    return {corner: move for corner, move in moves.items() if move}


def _move(specification: Mapping[str, Any], corner: str, mean_mm: float) -> int:
    axle = specification["front" if corner.startswith("F") else "rear"]
    deviation = mean_mm - axle["target_mm"]
    if abs(deviation) <= axle["tolerance_mm"] / 2:
        return 0
    return -COUNTS_PER_MOVE if deviation * axle["response_mm_per_count"] > 0 else COUNTS_PER_MOVE

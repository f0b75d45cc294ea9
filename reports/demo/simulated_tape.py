"""A simulated technician with a tape: whole millimetres, scatter, a bias of the day, now and then a slip."""

from __future__ import annotations

import numpy as np

from reports.demo.simulated_vehicle import SimulatedVehicle

READING_SD_MM = 1.0
SESSION_BIAS_SD_MM = 0.3
SLIP_SHARE = 0.01
SLIP_MM = 10.0


class Tape:
    """One person with one tape for one job. The bias of the session stays, so that no repeat averages it away."""

    def __init__(self, rng: np.random.Generator, slip_share: float = SLIP_SHARE) -> None:
        self._rng = rng
        self._slip_share = slip_share
        self._bias_mm = float(rng.normal(0.0, SESSION_BIAS_SD_MM))
        self.readings_taken = 0

    def of_another_person(self) -> Tape:
        """The same tape in other hands."""
        return Tape(self._rng, self._slip_share)

    def read(self, vehicle: SimulatedVehicle, corner: str) -> int:
        """One reading at one corner, mm."""
        self.readings_taken += 1
        shown = vehicle.standing_mm(corner) + self._bias_mm + self._rng.normal(0.0, READING_SD_MM)
        if self._rng.random() < self._slip_share:
            shown += SLIP_MM * self._rng.choice((-1.0, 1.0))
        return round(shown)

"""Share of perfectly true vehicles that a tape can pass at the first round."""

from __future__ import annotations

from .specification import Specification


def true_vehicles_passing(specification: Specification) -> float:
    """Probability that a vehicle exactly on target is judged `within` at its first round (0 to 1)."""
    raise NotImplementedError

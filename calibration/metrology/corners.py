"""The four corners, their fixed order, and the axles and sides they form.

Every array of four in this package is in the order of `CORNERS`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, TypeVar

Corner = Literal["FL", "FR", "RL", "RR"]
Axle = Literal["front", "rear"]

CORNERS: tuple[Corner, ...] = ("FL", "FR", "RL", "RR")
AXLES: tuple[Axle, ...] = ("front", "rear")
AXLE_OF: dict[Corner, Axle] = {"FL": "front", "FR": "front", "RL": "rear", "RR": "rear"}
CORNERS_OF: dict[Axle, tuple[Corner, Corner]] = {"front": ("FL", "FR"), "rear": ("RL", "RR")}
"""Left corner first: side differences are left minus right."""

T = TypeVar("T")


def in_corner_order(corner_map: Mapping[Corner, T]) -> tuple[T, ...]:
    """The values of a complete corner map as a tuple in the order of `CORNERS`.

    >>> in_corner_order({"RR": 4, "FL": 1, "RL": 3, "FR": 2})
    (1, 2, 3, 4)
    """
    return tuple(corner_map[corner] for corner in CORNERS)

"""What a specification of the calculations holds, and what it refuses. Rules: the project's own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from calibration.metrology.corners import Corner, in_corner_order
from calibration.metrology.errors import MetrologyError
from tests.metrology.builders import LINKED_REAR, REAR, REAR_ONLY, SPECIFICATION


@pytest.mark.parametrize("missing", ["setpoint_low", "setpoint_high", "response_mm_per_count", "response_sd"])
def test_a_controlled_corner_needs_band_and_response_of_its_axle(missing: str) -> None:
    lacking: dict[str, Any] = {missing: None}
    with pytest.raises(MetrologyError, match="rear axle"):
        replace(SPECIFICATION, rear=replace(REAR, **lacking))
    front_only: tuple[Corner, ...] = ("FL", "FR")
    assert replace(SPECIFICATION, rear=replace(REAR, **lacking), controlled_corners=front_only).rear.target_mm == 504


def test_linked_corners_name_each_other() -> None:
    assert [LINKED_REAR.linked_with(corner) for corner in ("RL", "RR", "FL")] == ["RR", "RL", None]
    assert REAR_ONLY.linked_with("RL") is None


def test_a_corner_map_is_read_in_the_order_of_the_corners() -> None:
    assert in_corner_order({"RR": 4, "FL": 1, "RL": 3, "FR": 2}) == (1, 2, 3, 4)

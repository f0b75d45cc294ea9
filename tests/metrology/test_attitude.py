"""Heave, pitch, roll, warp, and what the floor alone would do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from GTC import ureal  # type: ignore[import-untyped]
from hypothesis import given
from hypothesis import strategies as st

from calibration.metrology.attitude import (
    WARP_COEFFICIENTS,
    assess_warp,
    floor_effect,
    modes,
    warp_budget,
)
from calibration.metrology.errors import MetrologyError
from calibration.metrology.pooling import pool
from tests.metrology.builders import OTHER_TAPE, SPECIFICATION, TAPE, round_off_by

lengths = st.floats(-100, 100)
fours = st.tuples(lengths, lengths, lengths, lengths)


class TestModes:
    @pytest.mark.parametrize(
        ("deviations", "heave", "pitch", "roll", "warp"),
        [
            ((5.0, 5.0, 5.0, 5.0), 5.0, 0.0, 0.0, 0.0),
            ((3.0, 3.0, -1.0, -1.0), 1.0, 4.0, 0.0, 0.0),
            ((2.0, -2.0, 2.0, -2.0), 0.0, 0.0, 4.0, 0.0),
            ((2.0, -2.0, -2.0, 2.0), 0.0, 0.0, 0.0, 4.0),
            ((8.0, 0.0, 0.0, 0.0), 2.0, 4.0, 4.0, 4.0),
        ],
    )
    def test_of_simple_attitudes(
        self, deviations: tuple[float, ...], heave: float, pitch: float, roll: float, warp: float
    ) -> None:
        found = modes(deviations)
        assert (found.heave_mm, found.pitch_mm, found.roll_mm, found.warp_mm) == (heave, pitch, roll, warp)

    @given(fours)
    def test_together_give_the_deviations_back(self, deviations: tuple[float, ...]) -> None:
        found = modes(deviations)
        senses = np.array([[1, 1, 1, 1], [1, 1, -1, -1], [1, -1, 1, -1], [1, -1, -1, 1]])
        shares = np.array([found.heave_mm, found.pitch_mm / 2, found.roll_mm / 2, found.warp_mm / 2])
        assert shares @ senses == pytest.approx(deviations, abs=1e-9)

    @given(fours)
    def test_warp_is_the_given_combination(self, deviations: tuple[float, ...]) -> None:
        assert modes(deviations).warp_mm == pytest.approx(np.dot(WARP_COEFFICIENTS, deviations), abs=1e-9)

    @pytest.mark.parametrize("deviations", [(), (1.0, 2.0, 3.0), (1.0, 2.0, 3.0, math.nan)])
    def test_refuse_what_is_no_vehicle(self, deviations: tuple[float, ...]) -> None:
        with pytest.raises(MetrologyError, match="FL, FR, RL, RR"):
            modes(deviations)


class TestWarpUncertainty:
    def test_agrees_with_an_independent_uncertainty_library(self) -> None:
        corners = pool([round_off_by((0, 0, 0, 0))], 1.5)
        tape = ureal(0, corners[0].budget.standard_uncertainty_of("instrument"))
        own = [part.standard_uncertainty_mm for part in corners[0].budget.components[:-1]]
        heights = [sum((ureal(0, value) for value in own), start=ureal(500, 0)) + tape for _ in range(4)]
        warp = (heights[0] - heights[1] - heights[2] + heights[3]) / 2
        found = warp_budget([corner.budget for corner in corners])
        assert found.standard_uncertainty_mm == pytest.approx(warp.u)
        assert [part.name for part in found.components] == [
            part.name for part in corners[0].budget.components if part.name != "instrument"
        ]

    def test_says_what_the_rounds_of_a_job_have_in_common(self) -> None:
        corners = pool([round_off_by((0, 0, 0, 0), instruments=(TAPE, OTHER_TAPE))], 1.5)
        found = warp_budget([corner.budget for corner in corners])
        assert [part.common_to_rounds for part in found.components] == [
            part.common_to_rounds for part in corners[0].budget.components
        ]

    def test_with_two_tapes_in_the_round_keeps_their_errors(self) -> None:
        one = pool([round_off_by((0, 0, 0, 0))], 1.5)
        two = pool([round_off_by((0, 0, 0, 0), instruments=(TAPE, OTHER_TAPE))], 1.5)
        of_one, of_two = (warp_budget([corner.budget for corner in corners]) for corners in (one, two))
        tape = one[0].budget.standard_uncertainty_of("instrument")
        assert of_two.standard_uncertainty_mm == pytest.approx(math.hypot(of_one.standard_uncertainty_mm, tape))

    def test_refuses_other_than_four_alike_budgets(self) -> None:
        budget = pool([round_off_by((0, 0, 0, 0))], 1.5)[0].budget
        with pytest.raises(MetrologyError, match="four budgets"):
            warp_budget([budget] * 3)
        with pytest.raises(MetrologyError, match="four budgets"):
            warp_budget([budget, budget, budget, replace(budget, components=budget.components[:2])])

    @pytest.mark.parametrize(("beyond", "large"), [(-0.01, False), (0.01, True)])
    @pytest.mark.parametrize("sense", [-1, 1])
    def test_makes_a_warp_large_only_beyond_limit_and_uncertainty(self, sense: int, beyond: float, large: bool) -> None:
        budgets = [corner.budget for corner in pool([round_off_by((0, 0, 0, 0))], 1.5)]
        expanded = warp_budget(budgets).expanded_uncertainty_mm
        found = assess_warp(sense * (6.0 + expanded + beyond), budgets, 6.0)
        assert found.large is large
        assert found.expanded_uncertainty_mm == expanded


class TestFloor:
    @given(pads=fours, plane=st.tuples(lengths, lengths, lengths))
    def test_warps_the_heights_of_a_stiff_body_however_it_stands(
        self, pads: tuple[float, ...], plane: tuple[float, float, float]
    ) -> None:
        # A stiff body is a plane z = a + b·x + c·y over the four hubs; its heights are z less the pads.
        positions = [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)]
        body = [plane[0] + plane[1] * x + plane[2] * y for x, y in positions]
        heights = [z - pad for z, pad in zip(body, pads, strict=True)]
        assert floor_effect(pads, SPECIFICATION).warp_mm == pytest.approx(modes(heights).warp_mm, abs=1e-9)

    @pytest.mark.parametrize(
        ("pads", "level"),
        [
            ((0.0, 0.0, 0.0, 0.0), True),
            ((3.9, 0.0, 0.0, 0.0), True),
            ((4.1, 0.0, 0.0, 0.0), False),
            ((28.0, 28.0, 0.0, 0.0), True),
            ((29.0, 29.0, 0.0, 0.0), False),
            ((16.0, 0.0, 16.0, 0.0), True),
            ((0.0, 17.0, 0.0, 17.0), False),
        ],
    )
    def test_is_level_within_a_third_of_the_warp_limit_and_one_percent_of_slope(
        self, pads: tuple[float, ...], level: bool
    ) -> None:
        # Common practice, no source: warp limit 6 mm / 3 = 2 mm; wheelbase 2885 mm; mean track 1609 mm.
        assert floor_effect(pads, SPECIFICATION).level is level

    def test_slopes_are_rise_per_length(self) -> None:
        found = floor_effect((20.0, 10.0, 20.0, 10.0), SPECIFICATION)
        assert [found.longitudinal_slope, found.lateral_slope] == pytest.approx([0.0, 10 / 1609])
        found = floor_effect((0.0, 0.0, 10.0, 10.0), SPECIFICATION)
        assert [found.longitudinal_slope, found.lateral_slope] == pytest.approx([-10 / 2885, 0.0])

    def test_refuses_other_than_four_levels(self) -> None:
        with pytest.raises(MetrologyError, match="pad_levels_mm"):
            floor_effect((1.0, 2.0), SPECIFICATION)

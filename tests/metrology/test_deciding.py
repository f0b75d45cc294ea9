"""Readings and rounds that would decide, checked by really adding them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.metrology.assessment import assess
from calibration.metrology.deciding import OpenQuestion, readings_to_decide, rounds_to_decide
from calibration.metrology.pooling import corner_rounds
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION, round_off_by

WIDE_SIDES = replace(SPECIFICATION, side_difference_max_mm=50.0)


def verdict_with(front_left_mm: float, *, readings: int = 2, rounds: int = 1) -> str:
    measured = round_off_by((front_left_mm, 0, 0, 0), readings=readings)
    return assess([measured] * rounds, WIDE_SIDES).corner("FL").verdict


class TestCorner:
    @pytest.mark.parametrize(("front_left", "further"), [(3.45, 1), (3.55, 2), (3.6, 3), (3.65, 4), (8.55, 1)])
    def test_asks_for_the_fewest_readings_that_would_decide(self, front_left: float, further: int) -> None:
        assessment = assess([round_off_by((front_left, 0, 0, 0))], WIDE_SIDES)
        assert assessment.verdict == "undecided"
        assert assessment.corner("FL").read_again == further
        assert verdict_with(front_left, readings=2 + further) != "undecided"
        assert verdict_with(front_left, readings=1 + further) == "undecided"

    def test_asks_for_no_readings_that_would_not_decide(self) -> None:
        assessment = assess([round_off_by((4.5, 0, 0, 0))], WIDE_SIDES)
        assert [corner.read_again for corner in assessment.corners] == [0, 0, 0, 0]
        assert verdict_with(4.5, readings=6) == "undecided"

    def test_asks_for_no_more_than_six_readings_in_the_round(self) -> None:
        six = assess([round_off_by((3.7, 0, 0, 0), readings=6)], WIDE_SIDES)
        assert (six.verdict, six.corner("FL").read_again) == ("undecided", 0)
        assert verdict_with(3.7, readings=20) == "within"

    @pytest.mark.parametrize(("front_left", "further"), [(3.6, 1), (3.9, 1), (4.0, 2), (4.2, 3), (7.9, 2), (8.1, 1)])
    def test_names_the_further_rounds_that_would_decide(self, front_left: float, further: int) -> None:
        assessment = assess([round_off_by((front_left, 0, 0, 0))], WIDE_SIDES)
        assert assessment.rounds_to_decide == further
        assert verdict_with(front_left, rounds=1 + further) != "undecided"
        assert verdict_with(front_left, rounds=further) == "undecided"

    def test_names_none_when_three_rounds_would_not_decide(self) -> None:
        assert assess([round_off_by((4.25, 0, 0, 0))], WIDE_SIDES).rounds_to_decide is None
        assert verdict_with(4.25, rounds=4) == "undecided"
        assert verdict_with(4.25, rounds=5) == "within"

    @pytest.mark.parametrize("front_left", [0.0, 12.0])
    def test_asks_nothing_once_the_verdict_stands(self, front_left: float) -> None:
        decided = assess([round_off_by((front_left, 0, 0, 0))], WIDE_SIDES)
        assert decided.rounds_to_decide is None
        assert all(corner.read_again == 0 for corner in decided.corners)

    @pytest.mark.parametrize(("front_left", "wanted"), [(0.0, [0, 0, 1, 0]), (12.0, [0, 0, 0, 0])])
    def test_asks_nothing_beside_something_outside(self, front_left: float, wanted: list[int]) -> None:
        assessment = assess([round_off_by((front_left, 0, 3.5, 0))], WIDE_SIDES)
        assert assessment.corner("RL").verdict == "undecided"
        assert [corner.read_again for corner in assessment.corners] == wanted

    def test_reads_again_in_the_latest_round_of_a_pool(self) -> None:
        rounds = [round_off_by((4.03, 0, 0, 0), readings=6), round_off_by((4.03, 0, 0, 0), readings=2)]
        before = assess(rounds, WIDE_SIDES)
        further = before.corner("FL").read_again
        assert before.verdict == "undecided"
        assert further > 0
        after = assess([rounds[0], round_off_by((4.03, 0, 0, 0), readings=2 + further)], WIDE_SIDES)
        assert after.verdict == "within"

    def test_that_cannot_be_adjusted_asks_for_nothing(self) -> None:
        assessment = assess([round_off_by((3.5, 0, 0, 0))], REAR_ONLY)
        assert assessment.corner("FL").verdict == "undecided"
        assert (assessment.verdict, assessment.rounds_to_decide) == ("within", None)
        assert assessment.corner("FL").read_again == 0

    def test_that_cannot_be_adjusted_asks_for_nothing_beside_one_that_does(self) -> None:
        assessment = assess([round_off_by((3.5, 0, 3.5, 0))], replace(WIDE_SIDES, controlled_corners=("RL", "RR")))
        assert [corner.read_again for corner in assessment.corners] == [0, 0, 1, 0]


class TestSide:
    narrow = replace(SPECIFICATION, side_difference_max_mm=5.0)

    def test_asks_for_readings_at_both_its_corners(self) -> None:
        assessment = assess([round_off_by((0.8, -0.8, 0, 0))], self.narrow)
        assert assessment.side("front").verdict == "undecided"
        wanted = {corner.corner: corner.read_again for corner in assessment.corners}
        assert wanted["FL"] == wanted["FR"] > 0
        assert wanted["RL"] == wanted["RR"] == 0
        more = round_off_by((0.8, -0.8, 0, 0), readings=2 + wanted["FL"])
        assert assess([more], self.narrow).side("front").verdict == "within"

    def test_asks_each_corner_only_for_the_readings_it_has_room_for(self) -> None:
        measured = round_off_by((0.9, -0.9, 0, 0))
        left = (measured.readings_mm[0][0],) * 5
        measured = replace(measured, readings_mm=(left, *measured.readings_mm[1:]))
        rounds = corner_rounds([measured])
        question = OpenQuestion(("FL", "FR"), (rounds[0], rounds[1]), 1.75, 5.0, 1.5)
        assert question.readings_to_decide() == {"FL": 1, "FR": 3}

    def test_whose_corners_are_linked_asks_for_nothing(self) -> None:
        linked = replace(LINKED_REAR, side_difference_max_mm=5.0)
        assessment = assess([round_off_by((0, 0, 0.8, -0.8))], linked)
        assert assessment.side("rear").verdict == "undecided"
        assert assessment.verdict == "within"
        assert all(corner.read_again == 0 for corner in assessment.corners)


class TestSeveralQuestions:
    def question(self, deviation_mm: float) -> OpenQuestion:
        of_corner = corner_rounds([round_off_by((deviation_mm, 0, 0, 0))])[0]
        return OpenQuestion(("FL",), (of_corner,), deviation_mm, 6.0, 1.5)

    def test_want_the_most_readings_that_any_asks_for(self) -> None:
        assert readings_to_decide([self.question(3.6), self.question(3.45)]) == {"FL": 3}

    def test_want_as_many_rounds_as_the_slowest(self) -> None:
        assert rounds_to_decide([self.question(3.6), self.question(4.0)]) == 2

    def test_have_no_number_of_rounds_if_one_of_them_has_none(self) -> None:
        assert rounds_to_decide([self.question(3.6), self.question(5.9)]) is None

    def test_that_are_none_want_nothing(self) -> None:
        assert readings_to_decide([]) == {}
        assert rounds_to_decide([]) is None

"""Rounds with the same set-points that contradict each other are not averaged into a verdict in silence."""

from __future__ import annotations

import pytest

from calibration.models import Reading
from tests.calibration.bench import Bench
from tests.factories import Site

LOW, HIGH = {"FL": 481.5}, {"FL": 490.5}
"""Nine millimetres apart; their mean is on target."""


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    bench.measure(LOW)
    return bench


def corners(bench: Bench) -> list[str | None]:
    live = [each for each in bench.standing.record.findings if bench.standing.is_live(each)]
    return [each.corner for each in live if each.code == "rounds_disagree"]


def test_one_more_round_is_asked_for_and_then_a_manager(bench: Bench) -> None:
    bench.measure(HIGH)
    assert bench.standing.assessment is not None
    assert bench.standing.assessment.verdict == "within", "that is what makes it dangerous"
    assert corners(bench) == ["FL"]
    assert (bench.next_step, bench.reason) == ("settle_and_measure", "rounds_disagree")
    assert bench.standing.next_step.corners == ("FL",)
    bench.measure({"FL": 486.5})
    assert corners(bench) == ["FL"], "the third round agrees with the mean: nothing new is said of it"
    assert (bench.next_step, bench.reason) == ("get_approval", "rulings_missing")
    bench.rule("rounds_disagree")
    assert bench.next_step == "sign_off"


def test_the_assessment_and_the_job_give_it_the_same_severity(bench: Bench) -> None:
    bench.measure(HIGH)
    assert bench.standing.assessment is not None
    told = {each.code: each.severity for each in bench.standing.assessment.findings}
    raised = {each.code: each.severity for each in bench.standing.record.findings}
    assert told["rounds_disagree"] == raised["rounds_disagree"] == "review"


def test_a_round_that_contradicts_the_others_once_more_needs_a_ruling_of_its_own(bench: Bench) -> None:
    bench.measure(HIGH)
    bench.rule("rounds_disagree")
    bench.measure({"FL": 478})
    assert corners(bench) == ["FL"]
    assert bench.codes().count("rounds_disagree") == 2


def test_rounds_as_far_apart_as_settling_and_reading_explain_are_pooled(bench: Bench) -> None:
    bench.measure({"FL": 486})
    assert corners(bench) == []


def test_a_strike_of_the_misread_height_ends_it(bench: Bench, site: Site) -> None:
    measured = bench.measure(HIGH)
    for reading in Reading.objects.filter(round=measured, corner="FL"):
        bench.strike(reading.pk, 482, site.manager)
    assert corners(bench) == []
    assert bench.reason != "rounds_disagree"


def test_what_is_written_afterwards_leaves_it_behind(bench: Bench) -> None:
    bench.measure(HIGH)
    bench.write(bench.enter(FR=124))
    bench.measure({"FL": 486})
    assert corners(bench) == []


def test_readings_that_are_still_to_be_repeated_contradict_nothing_yet(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 484})
    measured = bench.measure({"FL": 484})
    bench.read_again("FL", 504, measured=measured)
    assert (bench.next_step, bench.reason) == ("read_again", "pair_disagrees")
    assert corners(bench) == []


def test_a_pair_disagrees_no_longer_once_the_wrong_reading_is_struck_out(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    measured = bench.measure()
    bench.read_again("FL", 506, measured=measured)
    [found] = [each for each in bench.standing.record.findings if each.code == "pair_disagrees"]
    assert bench.standing.is_live(found)
    bench.strike(Reading.objects.get(round=measured, height_mm=506).pk, 486, site.manager)
    assert not bench.standing.is_live(found)


class TestBeforeAProposal:
    def test_one_more_round_is_asked_for_before_anything_is_moved(self, site: Site) -> None:
        bench = Bench.open(site)
        bench.ready()
        bench.measure({"FL": 462})
        bench.measure({"FL": 474})
        assert (bench.next_step, bench.reason) == ("settle_and_measure", "rounds_disagree")
        bench.measure({"FL": 469})
        assert bench.next_step == "propose"

    def test_rounds_that_go_on_to_contradict_each_other_end_at_a_manager(self, bench: Bench) -> None:
        bench.measure(HIGH)
        assert bench.reason == "rounds_disagree"
        bench.measure({"FL": 478})
        assert corners(bench) == ["FL", "FL"]
        assert (bench.next_step, bench.reason) == ("get_approval", "rulings_missing")

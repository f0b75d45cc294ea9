"""The cautions of each step: those of the risk at hand, and those of other heights where a concession plays a part."""

from __future__ import annotations

import pytest

from calibration.api.serializers.jobs import NEXT_STEPS
from calibration.rules.cautions import WITHOUT_NETWORK, cautions_for
from tests.calibration.api.http_bench import HttpBench


def codes(step: str, *, targets_differ: bool = False, unconfirmed: bool = False) -> set[str]:
    return {each.code for each in cautions_for(step, targets_differ=targets_differ, unconfirmed=unconfirmed)}


@pytest.mark.parametrize("step", NEXT_STEPS)
def test_every_step_has_cautions_in_words(step: str) -> None:
    cautions = cautions_for(step)

    assert cautions
    assert all(len(str(each.text)) > 30 for each in cautions)
    assert len({each.code for each in cautions}) == len(cautions)


@pytest.mark.parametrize("step", ["measure", "read_again", "settle_and_measure"])
def test_whoever_measures_is_told_to_keep_out_of_the_wheel_arch(step: str) -> None:
    assert {"wheel_arch", "nobody_aboard", "secured", "ventilation"} <= codes(step)


@pytest.mark.parametrize("step", ["write", "settle_and_measure"])
def test_whoever_moves_the_vehicle_is_told_to_stand_clear(step: str) -> None:
    assert "stand_clear" in codes(step)


@pytest.mark.parametrize("step", ["check_readiness", "inspect", "paused", "write"])
def test_whoever_might_go_under_the_vehicle_is_told_not_to(step: str) -> None:
    assert "never_under" in codes(step)


@pytest.mark.parametrize("step", ["propose", "get_approval", "write", "sign_off", "done"])
def test_other_heights_than_the_manufacturers_carry_their_caution(step: str) -> None:
    assert codes(step, targets_differ=True) - codes(step) == {"altered_height"}


def test_heights_that_nobody_confirmed_are_told_of_with_what_they_may_do() -> None:
    assert codes("done", unconfirmed=True) - codes("done") == {"altered_height", "unconfirmed_height"}


def test_a_tablet_has_the_cautions_of_what_it_comes_to_without_network(bench: HttpBench) -> None:
    bench.open_job()
    ahead = bench.state()["cautions_ahead"]

    assert {step: {each["code"] for each in said} for step, said in ahead.items()} == {
        step: codes(step) for step in WITHOUT_NETWORK
    }
    assert all(each["text"] for said in ahead.values() for each in said)

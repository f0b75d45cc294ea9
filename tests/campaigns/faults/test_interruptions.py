"""Interruptions one at a time; each beside the same on a seeded fault, which it must see."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.campaigns.faults import interruptions
from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.photo_storing import web_killed_while_storing
from tests.campaigns.faults.seeded import switch_on

NEVER_S = 2.0
"""How long a control waits for what the fault keeps from ever happening."""


def test_worker_killed_in_the_middle_of_a_certificate_leaves_exactly_one(seeded_bench: Bench) -> None:
    with switch_on(seeded_bench.service.data.root, "slow_drawing"):
        assert interruptions.worker_killed_at_work(seeded_bench) == []


def test_worker_that_completes_its_work_before_doing_it_is_found_out(seeded_bench: Bench) -> None:
    with switch_on(seeded_bench.service.data.root, "slow_drawing", "completed_before_done"):
        assert interruptions.worker_killed_at_work(seeded_bench)


def test_web_server_killed_while_storing_a_photo_leaves_neither_half_a_picture_nor_a_row_without(
    seeded_bench: Bench,
) -> None:
    with switch_on(seeded_bench.service.data.root, "slow_storing"):
        assert web_killed_while_storing(seeded_bench) == []


@pytest.mark.parametrize(("fault", "told"), [("half_photo_kept", "half a picture"), ("photo_later", "no picture")])
def test_photo_stored_carelessly_is_found_out(fault: str, told: str, seeded_bench: Bench) -> None:
    with switch_on(seeded_bench.service.data.root, "slow_storing", fault):
        assert any(told in problem for problem in web_killed_while_storing(seeded_bench))


@pytest.mark.parametrize(
    "interruption",
    [
        interruptions.broker_flushed,
        interruptions.broker_away,
        interruptions.broker_hanging,
        interruptions.database_away,
        interruptions.poison,
    ],
)
def test_interruption_loses_nothing_and_is_told_as_it_is(
    interruption: Callable[[Bench], list[str]], bench: Bench
) -> None:
    assert interruption(bench) == []


@pytest.mark.parametrize(
    ("interruption", "fault"),
    [
        (lambda bench: interruptions.broker_flushed(bench, NEVER_S), "messages_trusted"),
        (lambda bench: interruptions.broker_away(bench, NEVER_S), "broker_needed"),
        (lambda bench: interruptions.broker_hanging(bench, NEVER_S, NEVER_S), "broker_awaited"),
        (interruptions.database_away, "outage_not_told"),
        (interruptions.poison, "never_parked"),
    ],
    ids=["messages_trusted", "broker_needed", "broker_awaited", "outage_not_told", "never_parked"],
)
def test_interruption_finds_the_seeded_fault(
    interruption: Callable[[Bench], list[str]], fault: str, seeded_bench: Bench
) -> None:
    with switch_on(seeded_bench.service.data.root, fault):
        assert interruption(seeded_bench)

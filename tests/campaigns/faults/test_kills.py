"""A short kill campaign, and shorter ones on seeded faults that its checks must find."""

from __future__ import annotations

from contextlib import closing

import pytest

from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.kills import campaign, new_shop
from tests.campaigns.faults.running import Kind, RunningService
from tests.campaigns.faults.seeded import switch_on

SHORT: tuple[Kind, ...] = (
    "web process",
    "database server",
    "worker process",
    "broker",
    "database backend",
    "web server",
)


def test_whatever_is_killed_nothing_acknowledged_is_lost_doubled_or_done_by_halves(service: RunningService) -> None:
    with closing(new_shop(service)) as shop:
        outcome = campaign(service, shop, seed=7, kinds=SHORT, tablets=4, leases_run_out=False)
    assert outcome.problems == []
    assert sum(outcome.kills.values()) == len(SHORT)
    assert outcome.counts["acknowledged records"] > len(SHORT)


@pytest.mark.parametrize(
    ("fault", "kinds"),
    [
        ("commit_not_awaited", ("database server",) * 2),
        ("ledger_apart", ("web server",) * 2),
        ("ids_not_taken", ("web server",)),
    ],
)
def test_campaign_finds_the_seeded_fault(fault: str, kinds: tuple[Kind, ...], seeded_bench: Bench) -> None:
    service = seeded_bench.service
    with closing(new_shop(service)) as shop, switch_on(service.data.root, fault):
        assert campaign(service, shop, seed=7, kinds=kinds, tablets=4, leases_run_out=False).problems

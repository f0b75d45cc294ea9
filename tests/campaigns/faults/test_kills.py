"""A short kill campaign, and shorter ones on seeded faults that its checks must find."""

from __future__ import annotations

import re
from contextlib import closing

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


TOLD = {
    "commit_not_awaited": r"was acknowledged and has no receipt",
    "ledger_apart": r"is in no ledger entry",
    "ids_not_taken": r": 409 after (?!1 )\d+ tries",
}
"""What only this fault makes the checks say."""


MOST_CAMPAIGNS = 4
"""A kill does not always hit what a fault leaves open for a moment."""


def test_campaign_finds_every_seeded_fault(seeded_bench: Bench) -> None:
    service = seeded_bench.service
    kinds: tuple[Kind, ...] = ("database server", "web server") * 2
    problems: list[str] = []
    for seed in range(MOST_CAMPAIGNS):
        with closing(new_shop(service)) as shop, switch_on(service.data.root, *TOLD):
            problems += campaign(service, shop, seed=seed, kinds=kinds, tablets=4, leases_run_out=False).problems
        unseen = [fault for fault, told in TOLD.items() if not any(re.search(told, problem) for problem in problems)]
        if not unseen:
            return
    raise AssertionError(f"not seen: {unseen} in {problems}")

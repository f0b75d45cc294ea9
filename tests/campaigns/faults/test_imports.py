"""Imports on the really started service; each beside the same on a seeded fault, which it must see."""

from __future__ import annotations

import pytest

from tests.campaigns.faults import imports
from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.seeded import switch_on


def test_one_import_that_twenty_clients_confirm_runs_once(bench: Bench) -> None:
    assert imports.confirmed_by_all(bench) == []


def test_where_ids_are_not_taken_it_does_not(seeded_bench: Bench) -> None:
    with switch_on(seeded_bench.service.data.root, "ids_not_taken"):
        assert imports.confirmed_by_all(seeded_bench)


@pytest.mark.parametrize("atomic", [False, True])
def test_an_import_whose_worker_is_killed_records_each_row_once(seeded_bench: Bench, atomic: bool) -> None:
    with switch_on(seeded_bench.service.data.root, "slow_import"):
        assert imports.worker_killed_in_an_import(seeded_bench, atomic=atomic) == []


def test_rows_committed_before_their_progress_are_seen(seeded_bench: Bench) -> None:
    with switch_on(seeded_bench.service.data.root, "slow_import", "rows_committed_first"):
        assert imports.worker_killed_in_an_import(seeded_bench, atomic=False)

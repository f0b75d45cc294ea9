"""Clients that race over HTTP; each race beside the same on a seeded fault, which it must see."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from deploy.embedded import postgres
from tests.campaigns.faults import races
from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.seeded import switch_on

Race = Callable[[Bench], list[str]]


@pytest.mark.parametrize(
    "race",
    [
        races.same_id_same_content,
        races.same_id_other_content,
        races.same_round_from_all,
        races.two_jobs,
        races.two_sign_offs,
        races.two_writes,
        races.one_version,
    ],
)
def test_of_racing_clients_exactly_one_wins_and_all_are_told(race: Race, bench: Bench) -> None:
    assert race(bench) == []


@pytest.mark.parametrize(
    ("race", "fault"),
    [
        (races.same_id_same_content, "ids_not_taken"),
        (races.same_round_from_all, "ids_not_taken"),
        (races.two_sign_offs, "jobs_not_locked"),
        (races.one_version, "versions_not_compared"),
    ],
)
def test_race_finds_the_seeded_fault(race: Race, fault: str, seeded_bench: Bench) -> None:
    with switch_on(seeded_bench.service.data.root, fault):
        assert race(seeded_bench)


def test_race_for_a_vehicle_is_lost_without_the_constraint_of_the_database(seeded_bench: Bench) -> None:
    """Last of these tests: the jobs stay, so that the index cannot be made again."""
    with seeded_bench.service.connect(postgres.OWNER) as owner:
        owner.execute("DROP INDEX IF EXISTS calibration_job_one_open")
    assert races.two_jobs(seeded_bench)

"""A small outbox under fire: every effect once, or again under its id, or parked; and the seeded faults are found.

The long one: `python -m tests.campaigns.outbox_under_fire`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from tests.campaigns.outbox_fire.seeded import FAULTS
from tests.campaigns.outbox_fire.stages import STAGES
from tests.campaigns.outbox_fire.world import World, filled_world
from tests.campaigns.outbox_under_fire import burned, no_hints

SMALL = {"jobs_closed": 1, "invited": 3, "told": 2}
WITHOUT_A_JOB = {"jobs_closed": 0, "invited": 3, "told": 2}


@contextmanager
def reachable(**sizes: int) -> Iterator[World]:
    """A world in which nothing is down or poisonous."""
    with no_hints(), filled_world(**sizes, down=timedelta(0), poisoned=False) as filled:
        yield filled


def test_killed_at_each_stage_and_taken_twice_every_effect_is_there_once(committed_db: None, tmp_path: Path) -> None:
    with reachable(**SMALL) as world:
        fire, verdict = burned(world, tmp_path)
    assert verdict.problems == []
    assert all(fire.kills[stage] for stage in STAGES)
    assert verdict.figures["e-mails parked"] == 1, "the one that kills every worker"
    assert verdict.figures["webhook messages delivered"] == 4
    assert verdict.figures["certificates"] == 1
    assert verdict.figures["rows that kill every worker, parked"] == 1


def test_with_poison_and_the_other_side_away_for_two_days_nothing_is_lost(committed_db: None, tmp_path: Path) -> None:
    down = timedelta(days=2)
    with no_hints(), filled_world(**SMALL, down=down, poisoned=True) as world:
        _fire, verdict = burned(world, tmp_path, every_stage=False, seed=3)
    assert verdict.problems == []
    assert world.elapsed > down
    assert verdict.figures["poison rows parked"] > 15
    assert verdict.figures["poison rows waiting"] == 0
    assert verdict.figures["webhook messages that arrived"]


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("mark_before_effect", "and nothing came|: lost$"),
        ("effect_outside_the_transaction", r"asked for \d+ times|came \d+ times"),
        ("lease_ignored", r"came \d+ times, with 0 workers lost"),
        ("attempts_not_counted", "kills every worker and is waiting"),
        ("id_made_anew", "went out under"),
    ],
)
def test_the_checks_find_seeded_faults(committed_db: None, tmp_path: Path, fault: str, told: str) -> None:
    assert fault in FAULTS
    # An effect that stays in the database is doubled where one piece of work asks for others.
    with reachable(**SMALL if fault == "effect_outside_the_transaction" else WITHOUT_A_JOB) as world:
        _fire, verdict = burned(world, tmp_path, fault=fault)
    assert any(re.search(told, problem) for problem in verdict.problems), verdict.problems

"""Alter, verify, undo: as often as wanted, in a workshop that is otherwise untouched."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from django.db import DatabaseError, connection, transaction

from fleet.signed_heads import Head
from fleet.verification import Problem

from .kinds import KINDS, Altered, Kind
from .world import World

UNTOUCHED_EVERY = 25


@dataclass
class Outcome:
    """What came of a campaign."""

    altered: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    misnamed: list[str] = field(default_factory=list)
    false_alarms: list[str] = field(default_factory=list)
    untouched: int = 0
    led_to_nothing: int = 0
    refused_by_constraints: int = 0

    @property
    def found(self) -> int:
        return self.altered.total() - len(self.missed) - len(self.misnamed)


def run(world: World, alterations: int, random_seed: int) -> Iterator[Outcome]:
    """Make so many alterations; gives the outcome so far after each."""
    rng, outcome = random.Random(random_seed), Outcome()  # noqa: S311  (choices of tests)
    kinds, weights = [each.kind for each in KINDS], [each.weight for each in KINDS]
    while outcome.altered.total() < alterations:
        if outcome.altered.total() % UNTOUCHED_EVERY == 0:
            verify_untouched(world, outcome)
        one(world, rng.choices(kinds, weights)[0], rng, outcome)
        yield outcome


def verify_untouched(world: World, outcome: Outcome) -> None:
    result = world.verify(world.outside)
    outcome.untouched += 1
    if result.problem is not None:
        outcome.false_alarms.append(str(result.problem))


def one(world: World, kind: Kind, rng: random.Random, outcome: Outcome) -> None:
    """Alter, verify and undo one thing."""
    try:
        with transaction.atomic():
            altered = _altered(world, kind, rng)
            if altered is None:
                outcome.led_to_nothing += 1
            else:
                _judge(world, kind, altered, outcome)
            transaction.set_rollback(True)
    except DatabaseError:
        outcome.refused_by_constraints += 1


def _altered(world: World, kind: Kind, rng: random.Random) -> Altered | None:
    """By a superuser whom neither triggers nor foreign keys stop."""
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
    return kind(world, rng)


def _judge(world: World, kind: Kind, altered: Altered, outcome: Outcome) -> None:
    name = kind.__name__
    outside: list[Head] = world.outside if altered.needs_outside else []
    problem: Problem | None = world.verify(outside).problem
    outcome.altered[name] += 1
    if problem is None:
        outcome.missed.append(f"{name} ({altered.what}; {altered.texts})")
    elif not altered.is_named_by(problem):
        outcome.misnamed.append(
            f"{name} ({altered.what}; {altered.texts}, {altered.leaves}, {altered.heads}): {problem}"
        )

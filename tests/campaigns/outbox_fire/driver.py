"""Workers are killed at every stage, asked twice, and left without the other side, until nothing waits any more.

Nothing ever hints: what is done is found by the sweep's own query alone, as after a broker was flushed.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from django.db.models import F, Min
from django.db.models.functions import Greatest
from django.utils import timezone

from fleet import outbox
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop

from .stages import STAGES
from .world import PERPETUAL, Nursery, World

MOST_TRIES: Final = 30
"""Of one item: ten attempts and a worker lost at each stage are far fewer."""
MARGIN: Final = timedelta(seconds=1)


@dataclass
class Fire:
    """What is done to the workers, and how often that was."""

    world: World
    nursery: Nursery
    journal: Path
    fault: str = ""
    every_stage: bool = True
    """Each item is lost once at each stage; otherwise by chance, at most `MOST_KILLS` times."""
    seed: int = 1
    victim: UUID | None = None
    """An item that kills whoever takes it."""
    kills: Counter[str] = field(default_factory=Counter)
    kills_of: dict[UUID, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    asked_twice: int = 0
    performed: int = 0
    steps: int = 0
    tries: Counter[UUID] = field(default_factory=Counter)
    order_of_kind: dict[str, list[UUID]] = field(default_factory=lambda: defaultdict(list))
    """The items of each kind, as they were met."""
    is_settled: bool = False

    def burn(self, horizon: timedelta) -> None:
        """Go on until nothing waits, or the simulated time is over, or something goes on for ever."""
        chance = random.Random(self.seed)  # noqa: S311  (a campaign repeats)
        while not self.tries or max(self.tries.values()) < MOST_TRIES:
            # Other tests have left work in workshops of theirs.
            due = [item for workshop, item in outbox.due(limit=100_000) if workshop == self.world.workshop_id]
            if not due and not self._wait(horizon):
                self.is_settled = True
                return
            self._meet(due)
            chance.shuffle(due)
            for item in due:
                self._step(item, chance)

    def _step(self, item: UUID, chance: random.Random) -> None:
        self.steps += 1
        self.tries[item] += 1
        if self._is_taken_twice(item):
            self._twice(item)
            return
        stage = self._stage_for(item, chance)
        answer = self._order(item, stage)
        if answer == "killed":
            self.kills[stage] += 1
            self.kills_of[item][stage] += 1
        self.performed += answer == "done"

    def _meet(self, due: list[UUID]) -> None:
        with in_workshop(self.world.workshop_id):
            for item, kind in (
                OutboxItem.objects.filter(pk__in=due).order_by("created_at", "id").values_list("pk", "kind")
            ):
                met = self.order_of_kind[kind]
                if item not in met and item != self.victim and item not in self.world.poison:
                    met.append(item)

    def _is_taken_twice(self, item: UUID) -> bool:
        """The second item of each kind, and every third after it: of those no worker is lost, of the first one is."""
        return any(item in met[1::3] for met in self.order_of_kind.values())

    def _twice(self, item: UUID) -> None:
        """A second worker takes the same item while the first is in the middle of it."""
        answer = self._order(item, "", held=True)
        if answer == "held":
            self.asked_twice += 1
            self._order(item, "")
            answer = self.nursery.order("release")
        self.performed += answer == "done"

    def _stage_for(self, item: UUID, chance: random.Random) -> str:
        if item == self.victim:
            return "claimed"
        if item in self.world.poison:
            return ""
        known = self.kills_of[item]
        if self.every_stage:
            return next((stage for stage in STAGES if not known[stage]), "")
        return chance.choice(STAGES) if known.total() < 3 and chance.random() < 0.5 else ""

    def _order(self, item: UUID, stage: str, *, held: bool = False) -> str:
        order: dict[str, Any] = {
            "workshop": str(self.world.workshop_id),
            "item": str(item),
            "stage": stage,
            "held": held,
            "fault": self.fault,
            "journal": str(self.journal),
        }
        return self.nursery.order(order)

    def _wait(self, horizon: timedelta) -> bool:
        """Let time pass to when something is due next. False where only tomorrow's rounds are left, or time is over."""
        with in_workshop(self.world.workshop_id):
            waiting = OutboxItem.objects.filter(state=OutboxItem.State.WAITING)
            is_left = waiting.exclude(kind__in=PERPETUAL).exists()
            at = waiting.aggregate(at=Min(Greatest(F("due_at"), F("leased_until"))))["at"]
        if at is None or (not is_left and self.world.elapsed >= self.world.down) or self.world.elapsed > horizon:
            return False
        self.world.let_time_pass(max(at - timezone.now(), timedelta(0)) + MARGIN)
        return True

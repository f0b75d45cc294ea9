"""What came of it: every effect once, or where the other side can tell a repeat, again under
the same id; else parked where somebody sees it."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Certificate, WebhookDelivery
from reports.selectors.parked_work import parked_work

from .driver import Fire
from .stages import AFTER_SENDING, STAGES
from .world import PERPETUAL, World

State = OutboxItem.State
LOST_IN_EACH: str = "the worker was lost in each attempt"


@dataclass
class Verdict:
    """`problems` in sentences; the figures say how much was looked at."""

    figures: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)

    def lines(self, fire: Fire) -> list[str]:
        killed = ", ".join(f"{fire.kills[stage]} {stage}" for stage in STAGES)
        return [
            f"{fire.world.elapsed.total_seconds() / 86400:.1f} simulated days; {fire.steps} attempts, "
            f"{fire.kills.total()} workers killed ({killed}); {fire.asked_twice} items taken by a second worker",
            *(f"{count:6d} {name}" for name, count in sorted(self.figures.items())),
            f"{len(self.problems)} problems",
            *self.problems[:20],
        ]


def verdict_on(fire: Fire) -> Verdict:
    verdict, world = Verdict(), fire.world
    with in_workshop(world.workshop_id):
        items = {each.pk: each for each in OutboxItem.objects.all()}
        for problems in (
            _unsettled(fire, items),
            _asked_more_than_once(items),
            _certificates(world, items, verdict.figures),
            _sent(fire, items, verdict.figures),
            _messages(world, verdict.figures),
            _poison(fire, items, verdict.figures),
        ):
            verdict.problems += problems
    return verdict


def _unsettled(fire: Fire, items: dict[UUID, OutboxItem]) -> Iterator[str]:
    if not fire.is_settled:
        yield f"it never came to an end: {fire.steps} attempts"
    for item in items.values():
        if item.state == State.WAITING and item.kind not in PERPETUAL:
            yield f"{_name(item)} still waits after {item.attempts} attempts: {item.error}"


def _asked_more_than_once(items: dict[UUID, OutboxItem]) -> Iterator[str]:
    """What stays in the database happens exactly once: work that a handler asks for, too."""
    asked = Counter((item.kind, json.dumps(item.payload, sort_keys=True)) for item in items.values())
    for (kind, payload), times in asked.items():
        if times > 1 and kind.endswith("_email"):
            yield f"{kind} was asked for {times} times: {payload}"


def _certificates(world: World, items: dict[UUID, OutboxItem], figures: Counter[str]) -> Iterator[str]:
    parked = {item.payload.get("job") for item in items.values() if item.state == State.PARKED}
    for job in world.jobs:
        made = Certificate.objects.filter(job=job, replaces=None, state=Certificate.State.ISSUED).count()
        figures["certificates"] += made
        if made != 1 and str(job) not in parked:
            yield f"job {job} has {made} certificates"


def _sent(fire: Fire, items: dict[UUID, OutboxItem], figures: Counter[str]) -> Iterator[str]:
    """By id: as often as it may have come, and at least once where its item is done."""
    arrived, ids = fire.world.arrived(), _journal(fire.journal)
    figures["e-mails that arrived"] = len({str(each["Message-ID"]) for each in fire.world.mail.taken})
    figures["webhook messages that arrived"] = len({each.headers["webhook-id"] for each in fire.world.posted})
    kills, passed_over = Counter[str](), fire.world.founding | fire.world.poison.keys()
    for item_id, sent in ids.items():
        for identity in sent:
            kills[identity] += sum(fire.kills_of[item_id][stage] for stage in AFTER_SENDING)
        if len(sent) > 1:
            yield f"{_name(items[item_id])} went out under {len(sent)} ids"
    for identity, times in arrived.items():
        figures["came once more under the same id"] += times - 1
        if times > 1 + kills[identity]:
            yield f"{identity} came {times} times, with {kills[identity]} workers lost after sending it"
    for item in items.values():
        if item.kind.endswith("_email") and item.state == State.DONE and item.pk not in passed_over:
            figures["e-mails done"] += 1
            if not any(arrived[identity] for identity in ids.get(item.pk, ())):
                yield f"{_name(item)} is done, and nothing came"
        figures["e-mails parked"] += item.kind.endswith("_email") and item.state == State.PARKED


def _messages(world: World, figures: Counter[str]) -> Iterator[str]:
    arrived, told = world.arrived(), Counter[str]()
    waiting = set(
        OutboxItem.objects.filter(state=State.WAITING, kind="reports.webhook_attempt").values_list(
            "payload__delivery", flat=True
        )
    )
    for delivery in WebhookDelivery.objects.all():
        told[delivery.event] += 1
        figures[f"webhook messages {delivery.state}"] += 1
        is_there = arrived[delivery.message_id] > 0
        if delivery.state == WebhookDelivery.State.DELIVERED and not is_there:
            yield f"message {delivery.message_id} is delivered, and nothing came"
        if delivery.state == WebhookDelivery.State.WAITING and str(delivery.pk) not in waiting:
            yield f"message {delivery.message_id} waits, and nobody will send it: lost"
    wanted = {"alert.opened": world.told, "job.signed_off": len(world.jobs), "certificate.issued": len(world.jobs)}
    parked = parked_work().exclude(pk__in=world.poison).exists()
    for event, times in wanted.items():
        if told[event] > times or (told[event] < times and not parked):
            yield f"{event} was to be told {times} times, and was told {told[event]} times"


def _poison(fire: Fire, items: dict[UUID, OutboxItem], figures: Counter[str]) -> Iterator[str]:
    shown = set(parked_work().values_list("pk", flat=True))
    for item_id in fire.world.poison:
        item = items[item_id]
        figures[f"poison rows {item.state}"] += 1
        if item.state == State.PARKED and not (item.pk in shown and item.error and item.attempts == 5):
            yield f"{_name(item)} is parked after {item.attempts} attempts, not shown, or without its error"
    if fire.victim is not None:
        item = items[fire.victim]
        figures["rows that kill every worker, parked"] += item.state == State.PARKED
        if item.state != State.PARKED or item.pk not in shown or item.error != LOST_IN_EACH:
            yield f"{_name(item)} kills every worker and is {item.state} after {item.attempts} attempts: {item.error}"


def _journal(path: Path) -> dict[UUID, set[str]]:
    """The ids that were handed over for each item."""
    found: dict[UUID, set[str]] = defaultdict(set)
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        item, identity = line.split("\t")
        found[UUID(item)].add(identity)
    return found


def _name(item: OutboxItem) -> str:
    return f"{item.kind} {item.pk}"

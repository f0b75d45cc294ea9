"""Heads that many make at once, while steps are recorded: one chain, each consistent with the next."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from django.utils import timezone

from fleet import ledger, outbox, services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of, signing_key
from fleet.ids import new_id
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf, OutboxItem
from fleet.selectors.ledger_tree import consistency_proof
from fleet.services import checkpoints
from fleet.signed_heads import verified
from fleet.tenancy import in_workshop
from fleet.verification import consistent_snapshot, verify_workshop
from tests.factories import Site, make_site

from .rfc9162 import goes_on, root_by_definition
from .test_races import at_once

MAKERS = 12
HEADS_EACH = 5


@pytest.fixture
def site(committed_db: None, monkeypatch: pytest.MonkeyPatch) -> Site:
    monkeypatch.setattr(outbox, "hint", lambda _workshop, _item: None)
    return make_site()


def made_at_once(site: Site) -> list[str]:
    """Makers that each record a step and ask for a head, again and again; gives the errors that they met."""
    vehicles = [site.vehicle() for _ in range(3)]

    def make(index: int) -> str:
        try:
            for _ in range(HEADS_EACH):
                with in_workshop(site.workshop.pk):
                    actor = Actor.system(site.workshop.pk, timezone.now())
                    vehicle = vehicles[index % 3]
                    ledger.append(actor, "noted", vehicle, vehicle=vehicle)
                    assert services.checkpoint_make(actor=actor) is not None
        except Exception as error:  # noqa: BLE001  (whoever asked looks at it)
            return type(error).__name__
        return ""

    return [error for error in at_once(MAKERS, make) if error]


def faults_of(site: Site) -> list[str]:
    """What is wrong with the workshop's heads, each held against the next and against the tree by its definition."""
    with in_workshop(site.workshop.pk):
        leaves = LedgerLeaf.objects.order_by("leaf_index").values_list("pk", flat=True)
        entries = LedgerEntry.objects.in_bulk()
        data = [bytes.fromhex(entries[key].hash) for key in leaves]
        heads = list(Checkpoint.objects.order_by("size"))
        found = [] if len(data) == len(entries) else [f"{len(entries)} entries, {len(data)} leaves"]
        found += [] if heads and heads[-1].size == len(data) else ["the newest head does not name every leaf"]
        for before, after in pairwise([None, *heads]):
            assert after is not None
            said = verified(after.note, [signing_key().public_key()])
            root = root_by_definition(data[: after.size])
            if (said.origin, said.size, said.root) != (origin_of(site.workshop.pk), after.size, root):
                found.append(f"head {after.size} is not of the tree")
            if said.after != (before.size if before else 0):
                found.append(f"head {after.size} does not follow the one before it")
            if before is not None:
                path = consistency_proof(before.size, after.size).path
                if not goes_on(before.size, after.size, bytes.fromhex(before.root), said.root, path):
                    found.append(f"head {after.size} does not go on from {before.size}")
    return found


def test_heads_made_by_many_at_once_are_one_chain(site: Site) -> None:
    assert made_at_once(site) == []
    assert faults_of(site) == []
    with in_workshop(site.workshop.pk):
        assert Checkpoint.objects.count() >= HEADS_EACH
    with consistent_snapshot(), in_workshop(site.workshop.pk):
        assert verify_workshop(site.workshop.pk).problem is None


def test_without_the_lock_makers_get_into_each_others_way(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """The database refuses the second leaf of one place, so that a step would fail for nobody's fault."""
    monkeypatch.setattr(checkpoints, "_be_the_only_writer", lambda _actor: None)
    assert made_at_once(site) != []


@pytest.mark.parametrize("fault", ["another root", "another predecessor"])
def test_heads_that_are_not_one_chain_are_found(site: Site, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    made = checkpoints._signed

    def wrong(actor: Any, tree: Any, after: int) -> Checkpoint:
        if fault == "another predecessor":
            return made(actor, tree, after=max(after - 1, 0))
        tree.append(new_id().bytes * 2)
        return made(actor, tree, after=after)

    monkeypatch.setattr(checkpoints, "_signed", wrong)
    made_at_once(site)
    assert faults_of(site) != []


def test_work_that_many_workers_take_makes_one_head(site: Site) -> None:
    site.vehicle()
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND).update(due_at=timezone.now())
        items = list(OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND).values_list("pk", flat=True))
    done = at_once(MAKERS, lambda index: outbox.perform(site.workshop.pk, items[index % len(items)]))
    assert done.count(True) == len(items)
    with in_workshop(site.workshop.pk):
        assert Checkpoint.objects.count() == 1
    assert faults_of(site) == []

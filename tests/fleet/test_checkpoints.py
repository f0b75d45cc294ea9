"""Ledger entries become leaves, each once and none left out, and the heads of the tree are signed."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from fleet import ledger, outbox, services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of, signing_key
from fleet.ids import new_id
from fleet.merkle import leaf_hash
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf, OutboxItem
from fleet.selectors.ledger_tree import consistency_proof, inclusion_proof
from fleet.services import checkpoints
from fleet.signed_heads import verified
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site

from .rfc9162 import goes_on, includes, root_by_definition


@pytest.fixture(autouse=True)
def _no_hints(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox, "hint", lambda _workshop, _item: None)


def head_of(site: Site, at: datetime | None = None) -> Checkpoint:
    with in_workshop(site.workshop.pk):
        head = services.checkpoint_make(actor=Actor.system(site.workshop.pk, at or timezone.now()))
    assert head is not None
    return head


def leaves_of(site: Site) -> list[LedgerEntry]:
    """The entries in the order of the tree."""
    with in_workshop(site.workshop.pk):
        entries = LedgerEntry.objects.in_bulk()
        return [entries[key] for key in LedgerLeaf.objects.order_by("leaf_index").values_list("pk", flat=True)]


def waiting(site: Site) -> list[OutboxItem]:
    with in_workshop(site.workshop.pk):
        return list(OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND, state="waiting").order_by("due_at"))


def test_every_entry_becomes_a_leaf_and_the_head_is_signed(site: Site) -> None:
    site.fitment(site.vehicle())
    head = head_of(site)
    leaves = leaves_of(site)
    with in_workshop(site.workshop.pk):
        assert {each.pk for each in leaves} == set(LedgerEntry.objects.values_list("pk", flat=True))
        assert list(LedgerLeaf.objects.values_list("leaf_index", flat=True)) == list(range(len(leaves)))
    signed = verified(head.note, [signing_key().public_key()])
    root = root_by_definition([bytes.fromhex(each.hash) for each in leaves])
    assert (signed.origin, signed.size, signed.root, signed.after) == (
        origin_of(site.workshop.pk),
        len(leaves),
        root,
        0,
    )
    assert (head.size, head.root, head.made_at) == (signed.size, root.hex(), signed.made_at)


def test_without_new_entries_the_head_stays(site: Site) -> None:
    assert head_of(site) == head_of(site)
    with in_workshop(site.workshop.pk):
        assert Checkpoint.objects.count() == 1


def test_heads_follow_on_each_other_and_proofs_hold_against_them(site: Site) -> None:
    heads = [head_of(site)]
    for _ in range(4):
        site.fitment(site.vehicle())
        heads.append(head_of(site))
    leaves = leaves_of(site)
    with in_workshop(site.workshop.pk):
        for before, after in zip([None, *heads], heads, strict=False):
            assert verified(after.note, [signing_key().public_key()]).after == (before.size if before else 0)
        for index, entry in enumerate(leaves):
            for head in heads:
                if index < head.size:
                    proof = inclusion_proof(entry, head.size)
                    data, root = bytes.fromhex(entry.hash), bytes.fromhex(head.root)
                    assert proof.leaf_index == index
                    assert includes(index, head.size, data, proof.path, root)
        for first in heads:
            for second in heads:
                if first.size <= second.size:
                    path = consistency_proof(first.size, second.size).path
                    roots = bytes.fromhex(first.root), bytes.fromhex(second.root)
                    assert goes_on(first.size, second.size, *roots, path)


def test_what_is_taken_in_at_once_is_limited_and_nothing_is_left_out(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checkpoints, "MOST_AT_ONCE", 2)
    with in_workshop(site.workshop.pk):
        count = LedgerEntry.objects.count()
        sizes: list[int] = []
        while not sizes or sizes[-1] < count:
            services.checkpoint_make_due(actor=Actor.system(site.workshop.pk, timezone.now()))
            sizes.append(Checkpoint.objects.latest("size").size)
        assert sizes == [*range(2, count, 2), count]
        asked = OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND, due_at__lte=timezone.now())
        assert asked.count() >= len(sizes) - 1, "the next piece is asked for at once"


# Asking for it


def test_a_step_asks_for_a_head_within_minutes_once(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND).delete()
    site.vehicle()
    (item,) = waiting(site)
    assert item.due_at - item.created_at <= timedelta(minutes=3)
    site.vehicle()
    assert [each.pk for each in waiting(site)] == [item.pk]


def test_work_that_may_run_before_the_step_commits_does_not_count(site: Site) -> None:
    site.vehicle()
    with in_workshop(site.workshop.pk):
        soon = site.began_at + ledger.LONGEST_STEP - timedelta(seconds=1)
        OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND).update(due_at=soon)
    before = len(waiting(site))
    site.vehicle()
    assert len(waiting(site)) == before + 1


def test_the_work_makes_the_head_and_looks_once_more(site: Site) -> None:
    site.vehicle()
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(kind=ledger.CHECKPOINT_KIND).update(due_at=timezone.now())
    for item in waiting(site):
        assert outbox.perform(site.workshop.pk, item.pk)
    with in_workshop(site.workshop.pk):
        head = Checkpoint.objects.get()
        assert head.size == LedgerEntry.objects.count()
    (again,) = waiting(site)
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(pk=again.pk).update(due_at=timezone.now())
    assert outbox.perform(site.workshop.pk, again.pk)
    assert waiting(site) == []
    assert not outbox.perform(site.workshop.pk, again.pk), "done is done"
    with in_workshop(site.workshop.pk):
        assert Checkpoint.objects.get() == head


# Races


def late_entry(site: Site, appended: threading.Event, may_commit: threading.Event) -> None:
    """A step whose transaction lasts long."""
    try:
        with in_workshop(site.workshop.pk):
            vehicle = site.vehicles_at_hand[0]
            ledger.append(site.manager.actor(timezone.now()), "late", vehicle, vehicle=vehicle)
            appended.set()
            may_commit.wait(timeout=60)
    finally:
        connection.close()


def head_while_a_step_is_under_way() -> tuple[Site, Checkpoint]:
    """One step begins first and commits last; in between another one gets its head."""
    site = make_site()
    site.vehicles_at_hand.append(site.vehicle())
    appended, may_commit = threading.Event(), threading.Event()
    thread = threading.Thread(target=late_entry, args=(site, appended, may_commit))
    thread.start()
    assert appended.wait(timeout=60)
    site.bay()
    between = head_of(site)
    may_commit.set()
    thread.join(timeout=60)
    return site, between


def test_an_entry_that_commits_late_is_not_left_out(committed_db: None) -> None:
    site, between = head_while_a_step_is_under_way()
    head = head_of(site)
    assert head.size == between.size + 1
    assert leaves_of(site)[-1].kind == "late"
    assert leaves_of(site)[-1].pk < leaves_of(site)[-2].pk, "its id is not the greatest"


def test_going_by_the_last_id_would_leave_it_out(committed_db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: the test above would notice."""

    def after_the_last() -> Any:
        newest = LedgerLeaf.objects.order_by("-pk").first()
        return LedgerEntry.objects.filter(pk__gt=newest.pk if newest else "0" * 32).order_by("id")

    monkeypatch.setattr(checkpoints, "_not_taken_in", after_the_last)
    site, between = head_while_a_step_is_under_way()
    assert head_of(site) == between


def test_many_writers_make_one_tree(committed_db: None) -> None:
    site = make_site()
    start = threading.Barrier(6)
    failed: list[BaseException] = []

    def run(number: int) -> None:
        start.wait(timeout=60)
        try:
            for _ in range(4):
                if number % 2:
                    site.bay(name=f"Bay {new_id()}")
                head_of(site)
        except BaseException as error:  # noqa: BLE001  (told by the assertion below)
            failed.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)
    assert failed == []
    head = head_of(site)
    leaves = leaves_of(site)
    with in_workshop(site.workshop.pk):
        assert head.size == len(leaves) == LedgerEntry.objects.count()
    assert head.root == root_by_definition([bytes.fromhex(each.hash) for each in leaves]).hex()


# What the database refuses


def wrong_leaf(site: Site, **changes: Any) -> None:
    entry = LedgerEntry.objects.exclude(pk__in=LedgerLeaf.objects.values("pk")).latest("id")
    right = {
        "id": entry.pk,
        "leaf_index": LedgerLeaf.objects.count(),
        "nodes": leaf_hash(bytes.fromhex(entry.hash)),
    }
    LedgerLeaf.objects.create(**{**right, **changes})


@pytest.mark.parametrize("changes", [{"leaf_index": 100}, {"leaf_index": 0}, {"nodes": bytes(32)}, {"id": new_id()}])
def test_a_leaf_that_does_not_follow_or_is_no_entrys_is_refused(site: Site, changes: dict[str, Any]) -> None:
    head_of(site)
    site.bay()
    with in_workshop(site.workshop.pk):
        with pytest.raises(DatabaseError, match="does not follow") as refusal, transaction.atomic():
            wrong_leaf(site, **changes)
        assert getattr(refusal.value.__cause__, "sqlstate", None) == "LB003"
        wrong_leaf(site)


def test_another_workshops_tree_is_its_own(site: Site, other_site: Site) -> None:
    head_of(site)
    assert head_of(site).note != head_of(other_site).note
    with in_workshop(other_site.workshop.pk):
        assert Checkpoint.objects.count() == 1
        assert LedgerLeaf.objects.count() == LedgerEntry.objects.count()

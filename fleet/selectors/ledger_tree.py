"""Reading the workshop's tree: its newest head, and proofs about it."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

from django.db.models import Max
from django.utils.translation import gettext_lazy as _

from fleet import merkle
from fleet.errors import Conflict, Invalid
from fleet.lost_keys import ACCEPTED, LostKey
from fleet.merkle import HASH_BYTES, Nodes, Place
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf


@dataclass(frozen=True, slots=True)
class InclusionProof:
    """That an entry is a leaf of the tree with this head."""

    entry: LedgerEntry
    leaf_index: int
    path: list[bytes]
    checkpoint: Checkpoint


@dataclass(frozen=True, slots=True)
class ConsistencyProof:
    """That the tree of the first head is the beginning of the second's."""

    first: Checkpoint
    second: Checkpoint
    path: list[bytes]


def newest_checkpoint() -> Checkpoint | None:
    return Checkpoint.objects.order_by("-size").first()


def lost_key_told(workshop_id: uuid.UUID) -> LostKey | None:
    """Which heads the ledger says are of a lost key, by the newest entry of it that is a leaf behind them: a head that
    a known key signed vouches for that entry."""
    entry = LedgerEntry.objects.filter(book=workshop_id, kind=ACCEPTED).order_by("-sequence").first()
    lost = LostKey.told(entry.payload.get("facts")) if entry else None
    if entry is None or lost is None:
        return None
    return lost if LedgerLeaf.objects.filter(pk=entry.pk, leaf_index__gte=lost.size).exists() else None


def stored_tree() -> merkle.GrowingTree:
    """The tree as its leaves are stored, ready to grow."""
    size = tree_size()
    places = merkle.peak_places(size)
    hashes = node_hashes(places)
    return merkle.GrowingTree(size, [hashes[place] for place in places])


def node_hashes(places: Iterable[Place]) -> dict[Place, bytes]:
    """The hashes of nodes, in one query."""
    by_leaf = {merkle.last_leaf(place): place for place in places}
    stored = LedgerLeaf.objects.filter(leaf_index__in=list(by_leaf)).values_list("leaf_index", "nodes")
    hashes: dict[Place, bytes] = {}
    for leaf_index, nodes in stored:
        level, _index = by_leaf[leaf_index]
        hashes[by_leaf[leaf_index]] = bytes(nodes)[HASH_BYTES * level : HASH_BYTES * (level + 1)]
    return hashes


def tree_size() -> int:
    last = LedgerLeaf.objects.aggregate(last=Max("leaf_index"))["last"]
    return 0 if last is None else int(last) + 1


def root_of(size: int) -> bytes | None:
    """The root over the first leaves, as the stored nodes have it; None where nodes are missing."""
    root = partial(merkle.root, size)
    hashes = node_hashes(merkle.places_needed(root))
    try:
        return root(lambda level, index: hashes[level, index])
    except KeyError:
        return None


def inclusion_proof(entry: LedgerEntry, size: int | None = None) -> InclusionProof:
    """The proof for the newest head, or for that of a size."""
    checkpoint = newest_checkpoint() if size is None else checkpoint_of(size, "/size")
    leaf_index = LedgerLeaf.objects.filter(pk=entry.pk).values_list("leaf_index", flat=True).first()
    if checkpoint is None or leaf_index is None or leaf_index >= checkpoint.size:
        raise Conflict(
            _("No such head includes this entry. Entries come into the tree within a few minutes; ask again then."),
            code="not_in_tree",
        )
    return InclusionProof(
        entry, leaf_index, _proof(partial(merkle.inclusion_path, leaf_index, checkpoint.size)), checkpoint
    )


def consistency_proof(first_size: int, second_size: int | None) -> ConsistencyProof:
    """The proof from one head to a later one, the newest unless its size is given."""
    first = checkpoint_of(first_size, "/first")
    second = newest_checkpoint() if second_size is None else checkpoint_of(second_size, "/second")
    assert second is not None  # there is the first
    if second.size < first.size:
        text = _("The second head is the later one, of %(first)s leaves or more.") % {"first": first.size}
        raise Invalid.at("/second", "smaller_than_first", text)
    return ConsistencyProof(first, second, _proof(partial(merkle.consistency_path, first.size, second.size)))


def checkpoint_of(size: int, pointer: str) -> Checkpoint:
    """The head of a size. Trees have signed heads of some sizes only."""
    found = Checkpoint.objects.filter(size=size).first()
    if found is None:
        text = _("There is no head of this size. Those that there are stand in /ledger/checkpoints/.")
        raise Invalid.at(pointer, "no_such_head", text)
    return found


def _proof(prove: Callable[[Nodes], list[bytes]]) -> list[bytes]:
    """Fetch what a proof is made of, then make it."""
    hashes = node_hashes(merkle.places_needed(prove))
    return prove(lambda level, index: hashes[level, index])

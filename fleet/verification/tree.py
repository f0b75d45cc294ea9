"""The leaves, the nodes stored with them, and the signed heads, kept here and brought from outside."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from django.db import connection

from fleet.checkpoint_keys import known_keys, origin_of
from fleet.merkle import HASH_BYTES, GrowingTree, leaf_hash
from fleet.models import Checkpoint
from fleet.selectors.ledger_tree import lost_key_told
from fleet.signed_heads import Head, HeadError, stated, verified

from .problem import Problem, entry_name, head_name, leaves_name

LEAVES = """
    SELECT l.leaf_index, l.nodes, l.id, e.hash, e.book, e.sequence
    FROM fleet_ledgerleaf l LEFT JOIN fleet_ledgerentry e ON e.id = l.id ORDER BY l.leaf_index
"""


@dataclass
class TreeRead:
    """What going through the leaves has brought together."""

    tree: GrowingTree = field(default_factory=GrowingTree)
    heads: int = 0
    unproven: int = 0
    """Of the heads, those whose key is lost: what they say was checked, and not who signed them."""
    roots: dict[int, bytes] = field(default_factory=dict)
    """By size, those that heads are about."""


def read_tree(
    workshop_id: uuid.UUID, outside: Sequence[Head], read: TreeRead, *, key_is_lost: bool = False
) -> Iterator[Problem]:
    """Grow the tree anew and hold it against what is stored and signed; fills `read` and gives what is wrong.

    With `key_is_lost`, heads that no known key signed count by what they say alone.
    """
    stored = list(Checkpoint.objects.order_by("size"))
    wanted = {each.size for each in stored} | {each.size for each in outside}
    yield from _read_leaves(wanted, read)
    yield from _stored_heads(workshop_id, stored, read, key_is_lost=key_is_lost)
    yield from _outside_heads(outside, read)


def _read_leaves(wanted: set[int], read: TreeRead) -> Iterator[Problem]:
    with connection.chunked_cursor() as cursor:
        cursor.execute(LEAVES)
        for leaf_index, nodes, entry_id, entry_hash, book, sequence in cursor:
            expected = read.tree.size
            if leaf_index != expected:
                yield Problem(leaves_name(expected, leaf_index - 1), "missing from the tree")
                return
            if entry_hash is None:
                yield Problem(f"ledger entry {entry_id}", f"it is missing, and leaf {leaf_index} is its")
                return
            yield from _leaf(read.tree, bytes(nodes), entry_hash, entry_name(entry_id, book, sequence))
            if read.tree.size in wanted:
                read.roots[read.tree.size] = read.tree.root()


def _leaf(tree: GrowingTree, nodes: bytes, entry_hash: str, entry: str) -> Iterator[Problem]:
    index = tree.size
    leaf = leaf_hash(_bytes_of(entry_hash))
    if nodes[:HASH_BYTES] != leaf:
        yield Problem(entry, f"it is not what leaf {index} of the tree says that it was, or that leaf was altered")
    completed = tree.append(leaf)
    if nodes != b"".join(completed):
        level = next((n for n, node in enumerate(completed) if nodes[HASH_BYTES * n :][:HASH_BYTES] != node), 0)
        yield Problem(leaves_name(index + 1 - (1 << level), index), "the node over them is not what is stored")


def _bytes_of(entry_hash: str) -> bytes:
    """Of an altered entry it may be anything."""
    try:
        return bytes.fromhex(entry_hash)
    except ValueError:
        return entry_hash.encode()


def _stored_heads(
    workshop_id: uuid.UUID, stored: Sequence[Checkpoint], read: TreeRead, *, key_is_lost: bool
) -> Iterator[Problem]:
    notes = {each.size: each.note for each in stored}
    lost = None if key_is_lost else lost_key_told(workshop_id)
    if lost is not None and not lost.covers(notes):
        yield Problem(
            head_name(lost.size), "it or one before it is not what it was when a new signing key was accepted"
        )
        lost = None
    unsigned_until = read.tree.size if key_is_lost else lost.size if lost else 0
    held = 0
    for checkpoint in stored:
        yield from _stored_head(checkpoint, origin_of(workshop_id), held, read, unsigned_until)
        held = checkpoint.size
        read.heads += 1
    if read.tree.size > held:
        yield Problem(head_name(read.tree.size), "missing: leaves and their head are made together")


def _stored_head(
    checkpoint: Checkpoint, origin: str, held: int, read: TreeRead, unsigned_until: int
) -> Iterator[Problem]:
    name = head_name(checkpoint.size)
    try:
        head = _read_head(checkpoint, read, unsigned_until)
    except HeadError as error:
        yield Problem(name, f"its note is not good: {error}")
        return
    columns = Head(origin, checkpoint.size, _bytes_of(checkpoint.root), checkpoint.made_at, head.after)
    if head != columns:
        yield Problem(name, "its note says something else than its columns, or is of another workshop")
    elif checkpoint.note.count("\n", checkpoint.note.index("\n\n") + 2) != 1:
        yield Problem(name, "somebody added to its signature")
    elif head.after != held:
        yield Problem(head_name(head.after), f"missing: the {name} follows on it")
    else:
        yield from _against_tree(head, held, read.roots, name)


def _read_head(checkpoint: Checkpoint, read: TreeRead, unsigned_until: int) -> Head:
    try:
        return verified(checkpoint.note, known_keys())
    except HeadError:
        if checkpoint.size > unsigned_until:
            raise
    read.unproven += 1
    return stated(checkpoint.note)


def _outside_heads(outside: Sequence[Head], read: TreeRead) -> Iterator[Problem]:
    """Heads brought from outside that hold bound where those that do not tell of rewritten history."""
    held = 0
    for head in sorted(outside, key=lambda each: each.size):
        problems = list(_against_tree(head, held, read.roots, f"{head_name(head.size)} from outside"))
        yield from problems
        held = held if problems else head.size


def _against_tree(head: Head, held: int, roots: Mapping[int, bytes], name: str) -> Iterator[Problem]:
    root = roots.get(head.size)
    if root is None:
        yield Problem(name, "the tree has fewer leaves: entries were removed, or an older backup was restored")
    elif root != head.root:
        within = leaves_name(held, head.size - 1)
        yield Problem(name, f"the tree has another root at this size: of {within}, entries were rewritten or moved")

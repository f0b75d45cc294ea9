"""The ledger within an archive: chains, tree and signed heads, computed anew from nothing but the archive.

Keys stand in the archive too. So this shows that the ledger is whole and of one piece; that it is the one that the
workshop had is shown by a head or key that is known from elsewhere.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from typing import Any, Final

from django.utils.translation import gettext as _

from fleet.ledger import FIRST_PREVIOUS_HASH
from fleet.lost_keys import ACCEPTED, LostKey
from fleet.merkle import GrowingTree, leaf_hash
from fleet.signed_heads import Head, HeadError, public_key, stated, verified

from .members import ENTRIES, HEADS, KEYS, LEAVES, ArchiveError
from .opening import Archive

LONGEST_LINE: Final = 50_000_000


def entries_of(archive: Archive) -> Iterator[tuple[dict[str, Any], str]]:
    """Every entry with its hash, by book and sequence, once its place in the chain is good."""
    book, sequence, last_hash = None, 0, FIRST_PREVIOUS_HASH
    for number, line in enumerate(lines_of(archive, ENTRIES), 1):
        entry = _parsed(line, ENTRIES, number)
        if not (isinstance(entry.get("id"), str) and isinstance(entry.get("book"), str)):
            text = _("%(member)s: ledger entry %(entry)s has not the form that entries have.")
            raise _bad(ENTRIES, text, entry=str(entry.get("id"))[:40])
        if entry.get("book") != book:
            book, sequence, last_hash = entry.get("book"), 0, FIRST_PREVIOUS_HASH
        if entry.get("sequence") != sequence + 1 or entry.get("previous_hash") != last_hash:
            text = _("%(member)s, line %(line)s: ledger entry %(sequence)s does not follow the one before it.")
            raise _bad(ENTRIES, text, line=number, sequence=str(entry.get("sequence"))[:20])
        last_hash = hashlib.sha256(line).hexdigest()
        sequence += 1
        yield entry, last_hash


def verify_ledger(archive: Archive) -> Head | None:
    """Gives the newest head, None of a ledger without any. Raises `ArchiveError` naming what is wrong."""
    hashes, lost = {}, None
    for entry, digest in entries_of(archive):
        hashes[entry.get("id")] = bytes.fromhex(digest)
        if entry.get("kind") == ACCEPTED:
            lost = _told(entry) or lost
    _require_count(ENTRIES, len(hashes), archive.manifest.counts.get("ledger_entries"))
    return _verify_tree(archive, hashes.get, lost)


def _told(entry: dict[str, Any]) -> LostKey | None:
    """What an entry says of heads whose signing key is lost."""
    payload = entry.get("payload")
    return LostKey.told(payload.get("facts")) if isinstance(payload, dict) else None


def lines_of(archive: Archive, name: str) -> Iterator[bytes]:
    with archive.open(name) as content:
        while line := content.readline(LONGEST_LINE):
            if not line.endswith(b"\n"):
                raise ArchiveError("altered", _("%(member)s is cut off.") % {"member": name}, name)
            yield line[:-1]


def _verify_tree(archive: Archive, hash_of: Callable[[Any], bytes | None], lost: LostKey | None) -> Head | None:
    heads = _heads(archive, lost)
    tree, leaves, wanted = GrowingTree(), _leaves(archive), {each.size for each in heads}
    roots: dict[int, bytes] = {}
    for number, (index, entry_id, digest) in enumerate(leaves):
        if index != str(number) or hash_of(entry_id) is None or hash_of(entry_id) != _hex(digest):
            text = _("%(member)s: leaf %(index)s is not that of its ledger entry.")
            raise _bad(LEAVES, text, index=number)
        tree.append(leaf_hash(_hex(digest) or b""))
        if tree.size in wanted:
            roots[tree.size] = tree.root()
    held = 0
    for head in heads:
        if head.after != held or roots.get(head.size) != head.root:
            text = _("%(member)s: the head of %(size)s leaves is not that of these leaves.")
            raise _bad(HEADS, text, size=head.size)
        held = head.size
    if tree.size != held:
        raise _bad(HEADS, _("%(member)s: the head of %(size)s leaves is missing."), size=tree.size)
    return heads[-1] if heads else None


def _heads(archive: Archive, lost: LostKey | None) -> list[Head]:
    try:
        keys = [public_key(each.decode()) for each in lines_of(archive, KEYS)]
        notes = [_parsed(each, HEADS, 0)["note"] for each in lines_of(archive, HEADS)]
        heads = [stated(each) for each in notes]
        unsigned = _unsigned(heads, notes, lost)
        heads = heads[:unsigned] + [verified(each, keys) for each in notes[unsigned:]]
    except (HeadError, KeyError, TypeError, UnicodeError, AttributeError) as error:
        raise ArchiveError("altered", _("A signed head of the ledger is not good: %(why)s") % {"why": error}, HEADS) \
            from None  # fmt: skip
    if any(each.origin != archive.manifest.origin for each in heads):
        raise ArchiveError("altered", _("A signed head is of another workshop's ledger."), HEADS)
    return heads


def _unsigned(heads: list[Head], notes: list[str], lost: LostKey | None) -> int:
    """How many heads count without a known key's signature, because their ledger says that it is lost; the newest one
    never does."""
    if lost is None or not lost.covers({head.size: note for head, note in zip(heads, notes, strict=True)}):
        return 0
    return sum(head.size <= lost.size for head in heads[:-1])


def _leaves(archive: Archive) -> Iterator[list[str]]:
    rows = archive.rows(LEAVES)
    next(rows, None)
    for number, row in rows:
        if len(row) != 3:
            raise _bad(LEAVES, _("%(member)s, line %(line)s cannot be read."), line=number)
        yield row


def _parsed(line: bytes, name: str, number: int) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise _bad(name, _("%(member)s, line %(line)s cannot be read."), line=number)
    return found


def _hex(text: str) -> bytes | None:
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None


def _require_count(name: str, found: int, told: int | None) -> None:
    if found != told:
        text = _("%(member)s has %(found)s entries; the manifest says %(told)s.")
        raise _bad(name, text, found=found, told=str(told))


def _bad(name: str, text: str, **values: Any) -> ArchiveError:
    return ArchiveError("altered", text % {"member": name, **values}, name)

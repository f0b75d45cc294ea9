"""Merkle trees as RFC 9162 hashes them (section 2.1): roots, inclusion proofs and consistency proofs.

SHA-256 throughout; a leaf is hashed with 0x00 in front, a node with 0x01, and a tree of n leaves is split at the
largest power of two below n. Pure: whoever asks for a root or proof says where nodes are found. A *node* at
(level, index) is the root of the perfect tree over the leaves index·2^level up to, but not including,
(index + 1)·2^level; once all of them are there, it never changes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

HASH_BYTES: Final = 32
EMPTY_ROOT: Final = hashlib.sha256(b"").digest()
"""Of a tree without leaves (RFC 9162, 2.1.1)."""

Place = tuple[int, int]
"""Level and index of a node."""
Nodes = Callable[[int, int], bytes]
"""Gives the hash of the node at a level and index."""


class MerkleError(ValueError):
    """A size or index that the tree does not have."""


def leaf_hash(data: bytes) -> bytes:
    """Hash of a leaf (RFC 9162, 2.1.1).

    >>> leaf_hash(b"").hex()[:16]
    '6e340b9cffb37a98'
    """
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of a node over its two children's hashes, 32 bytes each (RFC 9162, 2.1.1)."""
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass
class GrowingTree:
    """A tree to which leaves are added. It keeps only the roots of its perfect parts, the largest first."""

    size: int = 0
    peaks: list[bytes] = field(default_factory=list)

    def append(self, leaf: bytes) -> list[bytes]:
        """Add a leaf's hash; gives the nodes that it completes: itself at level 0, then those above, upwards.

        >>> tree = GrowingTree()
        >>> [len(tree.append(leaf_hash(bytes([number])))) for number in range(8)]
        [1, 2, 1, 3, 1, 2, 1, 4]
        """
        completed = [leaf]
        pairs = self.size
        while pairs & 1:
            completed.append(node_hash(self.peaks.pop(), completed[-1]))
            pairs >>= 1
        self.peaks.append(completed[-1])
        self.size += 1
        return completed

    def root(self) -> bytes:
        """Root over all leaves so far (RFC 9162, 2.1.1)."""
        if not self.peaks:
            return EMPTY_ROOT
        *larger, root = self.peaks
        for peak in reversed(larger):
            root = node_hash(peak, root)
        return root


def peak_places(size: int) -> list[Place]:
    """Where the roots of the perfect parts of a tree lie, the largest first: what `GrowingTree` goes on from.

    >>> peak_places(7)
    [(2, 0), (1, 2), (0, 6)]
    """
    levels = [level for level in range(size.bit_length() - 1, -1, -1) if size >> level & 1]
    return [(level, (size >> level) - 1) for level in levels]


def root(size: int, nodes: Nodes) -> bytes:
    """Root of the first `size` leaves."""
    return _range_hash(0, size, nodes) if size else EMPTY_ROOT


def inclusion_path(index: int, size: int, nodes: Nodes) -> list[bytes]:
    """Proof that leaf `index` is among the first `size` leaves: PATH(m, D_n) of RFC 9162, 2.1.3.1.

    Raises `MerkleError` unless 0 ≤ index < size.
    """
    if not 0 <= index < size:
        raise MerkleError(f"leaf index is {index}; allowed are 0 to {size - 1} in a tree of {size} leaves")
    return _path(index, 0, size, nodes)


def root_by_path(index: int, size: int, leaf: bytes, path: Sequence[bytes]) -> bytes:
    """Root of the tree of `size` leaves in which a leaf's hash has this inclusion path (RFC 9162, 2.1.3.2).

    Raises `MerkleError` where the path has not the length that such a path has.
    """
    if not 0 <= index < size:
        raise MerkleError(f"leaf index is {index}; allowed are 0 to {size - 1} in a tree of {size} leaves")
    at, last, node = index, size - 1, leaf
    for other in path:
        if last == 0:
            raise MerkleError(f"the path has {len(path)} nodes, more than lead to the root")
        if at & 1 or at == last:
            node = node_hash(other, node)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            node = node_hash(node, other)
        at, last = at >> 1, last >> 1
    if last:
        raise MerkleError(f"the path has {len(path)} nodes, fewer than lead to the root")
    return node


def consistency_path(first: int, second: int, nodes: Nodes) -> list[bytes]:
    """Proof that a tree of `second` leaves begins with one of `first`: PROOF(m, D_n) of RFC 9162, 2.1.4.1.

    Raises `MerkleError` unless 0 < first ≤ second. Empty where both are the same.
    """
    if not 0 < first <= second:
        raise MerkleError(f"first size is {first}; allowed are 1 to {second}, the second size")
    return _subproof(first, 0, second, nodes, is_known=True)


def places_needed(prove: Callable[[Nodes], object]) -> list[Place]:
    """Which nodes a root or proof is made of, so that they can be fetched together.

    >>> places_needed(lambda nodes: inclusion_path(2, 3, nodes))
    [(1, 0)]
    """
    needed: list[Place] = []

    def note(level: int, index: int) -> bytes:
        needed.append((level, index))
        return EMPTY_ROOT

    prove(note)
    return needed


def last_leaf(place: Place) -> int:
    """Index of the leaf that completes a node."""
    level, index = place
    return (index + 1 << level) - 1


def _split(count: int) -> int:
    """The largest power of two below a count of two or more."""
    return 1 << (count - 1).bit_length() - 1


def _range_hash(begin: int, end: int, nodes: Nodes) -> bytes:
    """Root of the leaves from `begin` up to `end`, where `begin` is a multiple of every split within."""
    count = end - begin
    if count & (count - 1) == 0:
        return nodes(count.bit_length() - 1, begin // count)
    middle = begin + _split(count)
    return node_hash(_range_hash(begin, middle, nodes), _range_hash(middle, end, nodes))


def _path(index: int, begin: int, end: int, nodes: Nodes) -> list[bytes]:
    if end - begin == 1:
        return []
    middle = begin + _split(end - begin)
    if index < middle:
        return [*_path(index, begin, middle, nodes), _range_hash(middle, end, nodes)]
    return [*_path(index, middle, end, nodes), _range_hash(begin, middle, nodes)]


def _subproof(first: int, begin: int, end: int, nodes: Nodes, *, is_known: bool) -> list[bytes]:
    """SUBPROOF(m, D_n, b): `is_known` while the verifier has the root of this part from the earlier head."""
    if first == end:
        return [] if is_known else [_range_hash(begin, end, nodes)]
    middle = begin + _split(end - begin)
    if first <= middle:
        return [*_subproof(first, begin, middle, nodes, is_known=is_known), _range_hash(middle, end, nodes)]
    return [*_subproof(first, middle, end, nodes, is_known=False), _range_hash(begin, middle, nodes)]

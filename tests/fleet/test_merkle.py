"""Merkle trees against published hashes, the recursive definition and an independent verifier."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet import merkle
from fleet.merkle import GrowingTree, MerkleError, Nodes, Place

from .rfc9162 import goes_on, includes, root_by_definition

ALL_SIZES = 70

# transparency-dev/merkle, testonly/constants.go (commit 582a6ad): leaves' data, their hashes, roots of 0 to 8 leaves.
DATA = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
LEAVES = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
    "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
    "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
    "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    "4271a26be0d8a84f0bd54c8c302e7cb3a3b5d1fa6780a40bcce2873477dab658",
    "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
    "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


class Grown:
    """A tree with everything that it completed on its way."""

    def __init__(self, data: list[bytes]) -> None:
        self.tree = GrowingTree()
        self.nodes: dict[Place, bytes] = {}
        self.roots = [self.tree.root()]
        for index, each in enumerate(data):
            for level, node in enumerate(self.tree.append(merkle.leaf_hash(each))):
                self.nodes[level, index >> level] = node
            self.roots.append(self.tree.root())

    def at(self, level: int, index: int) -> bytes:
        return self.nodes[level, index]


@pytest.fixture(scope="module")
def data() -> list[bytes]:
    rng = random.Random(9162)  # noqa: S311  (data of tests)
    return [rng.randbytes(rng.randrange(40)) for _ in range(ALL_SIZES)]


@pytest.fixture(scope="module")
def grown(data: list[bytes]) -> Grown:
    return Grown(data)


def test_hashes_are_the_published_ones() -> None:
    grown = Grown([bytes.fromhex(each) for each in DATA])
    assert [merkle.leaf_hash(bytes.fromhex(each)).hex() for each in DATA] == LEAVES
    assert [each.hex() for each in grown.roots] == ROOTS
    assert [merkle.root(size, grown.at).hex() for size in range(9)] == ROOTS


@given(st.lists(st.binary(max_size=8), max_size=400))
@settings(deadline=None)
def test_a_tree_of_any_size_has_the_root_of_the_definition(leaves: list[bytes]) -> None:
    grown = Grown(leaves)
    assert grown.roots[-1] == merkle.root(len(leaves), grown.at) == root_by_definition(leaves)
    peaks = [grown.at(*place) for place in merkle.peak_places(len(leaves))]
    assert GrowingTree(len(leaves), peaks).root() == grown.roots[-1]


@given(st.integers(0, 300), st.integers(1, 300))
@settings(deadline=None, max_examples=60)
def test_a_tree_grows_on_from_its_stored_nodes(before: int, more: int) -> None:
    leaves = [number.to_bytes(2) for number in range(before + more)]
    first = Grown(leaves[:before])
    tree = GrowingTree(before, [first.at(*place) for place in merkle.peak_places(before)])
    for leaf in leaves[before:]:
        tree.append(merkle.leaf_hash(leaf))
    assert tree.root() == root_by_definition(leaves)


def test_every_inclusion_proof_up_to_seventy_leaves_is_accepted(grown: Grown, data: list[bytes]) -> None:
    proved = 0
    for size in range(1, ALL_SIZES + 1):
        assert grown.roots[size] == root_by_definition(data[:size])
        for index in range(size):
            path = merkle.inclusion_path(index, size, grown.at)
            assert includes(index, size, data[index], path, grown.roots[size])
            assert merkle.root_by_path(index, size, merkle.leaf_hash(data[index]), path) == grown.roots[size]
            proved += 1
    assert proved == ALL_SIZES * (ALL_SIZES + 1) // 2


def test_every_consistency_proof_up_to_seventy_leaves_is_accepted(grown: Grown) -> None:
    proved = 0
    for second in range(1, ALL_SIZES + 1):
        for first in range(1, second + 1):
            path = merkle.consistency_path(first, second, grown.at)
            assert goes_on(first, second, grown.roots[first], grown.roots[second], path)
            proved += 1
    assert proved == ALL_SIZES * (ALL_SIZES + 1) // 2


@given(st.integers(1, ALL_SIZES), st.data())
@settings(deadline=None, max_examples=300)
def test_an_altered_inclusion_proof_is_refused(size: int, draw: st.DataObject) -> None:
    """Negative control of the verifier: it accepts what is right only."""
    leaves = [number.to_bytes(2) for number in range(size)]
    grown = Grown(leaves)
    index = draw.draw(st.integers(0, size - 1))
    path = merkle.inclusion_path(index, size, grown.at)
    root = grown.roots[size]
    assert not includes(index, size, b"another", path, root)
    assert not includes(index, size, leaves[index], [*path, bytes(32)], root)
    if path:
        place = draw.draw(st.integers(0, len(path) - 1))
        altered = [*path[:place], bytes(31) + b"\x01", *path[place + 1 :]]
        assert not includes(index, size, leaves[index], altered, root)
        assert not includes(index, size, leaves[index], path[:-1], root)


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 13])
def test_a_path_that_is_altered_leads_to_no_root_or_to_another(size: int) -> None:
    grown = Grown([number.to_bytes(2) for number in range(size)])
    for index in range(size):
        leaf, path = grown.at(0, index), merkle.inclusion_path(index, size, grown.at)
        for altered in ([*path, bytes(32)], path[:-1] if path else [bytes(32)]):
            with pytest.raises(MerkleError, match=r"nodes, (more|fewer) than lead"):
                merkle.root_by_path(index, size, leaf, altered)
        for place in range(len(path)):
            other = [*path[:place], bytes(32), *path[place + 1 :]]
            assert merkle.root_by_path(index, size, leaf, other) != grown.roots[size]
    with pytest.raises(MerkleError, match="allowed are"):
        merkle.root_by_path(size, size, bytes(32), [])


@given(st.integers(2, ALL_SIZES), st.data())
@settings(deadline=None, max_examples=300)
def test_a_rewritten_beginning_has_no_consistency_proof(size: int, draw: st.DataObject) -> None:
    first = draw.draw(st.integers(1, size))
    place = draw.draw(st.integers(0, first - 1))
    leaves = [number.to_bytes(2) for number in range(size)]
    rewritten = Grown([*leaves[:place], b"another", *leaves[place + 1 :]])
    path = merkle.consistency_path(first, size, rewritten.at)
    assert not goes_on(first, size, root_by_definition(leaves[:first]), rewritten.roots[size], path)


@pytest.mark.parametrize(
    "prove",
    [
        lambda nodes: merkle.inclusion_path(3, 3, nodes),
        lambda nodes: merkle.inclusion_path(-1, 3, nodes),
        lambda nodes: merkle.consistency_path(0, 3, nodes),
        lambda nodes: merkle.consistency_path(4, 3, nodes),
    ],
)
def test_what_the_tree_does_not_have_is_refused(prove: Callable[[Nodes], list[bytes]]) -> None:
    with pytest.raises(MerkleError, match="allowed are"):
        prove(Grown([b"a", b"b", b"c"]).at)


def test_what_a_proof_needs_is_known_before_it_is_made(grown: Grown) -> None:
    for size in range(1, ALL_SIZES + 1):
        for index in range(size):
            places = merkle.places_needed(partial(merkle.inclusion_path, index, size))
            fetched = Grown([])
            fetched.nodes = {place: grown.at(*place) for place in places}
            again = merkle.inclusion_path(index, size, fetched.at)
            assert again == merkle.inclusion_path(index, size, grown.at)
            assert all(merkle.last_leaf(place) < size for place in places)

"""What RFC 9162 says of Merkle trees, for tests only: roots by its recursive definition, verifiers by its steps.

Nothing here is shared with the service, so that neither can hide the other's mistake.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence


def root_by_definition(leaves: Sequence[bytes]) -> bytes:
    """MTH(D_n) of RFC 9162, 2.1.1, over the leaves' data."""
    count = len(leaves)
    if count == 0:
        return hashlib.sha256().digest()
    if count == 1:
        return hashlib.sha256(b"\x00" + leaves[0]).digest()
    split = 1
    while split * 2 < count:
        split *= 2
    left, right = root_by_definition(leaves[:split]), root_by_definition(leaves[split:])
    return hashlib.sha256(b"\x01" + left + right).digest()


def includes(index: int, size: int, data: bytes, path: Sequence[bytes], root: bytes) -> bool:
    """Verifying an inclusion proof: RFC 9162, 2.1.3.2, step by step."""
    if index >= size:
        return False
    fn, sn = index, size - 1
    r = hashlib.sha256(b"\x00" + data).digest()
    for p in path:
        if sn == 0:
            return False
        if fn % 2 == 1 or fn == sn:
            r = hashlib.sha256(b"\x01" + p + r).digest()
            while fn % 2 == 0 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = hashlib.sha256(b"\x01" + r + p).digest()
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and r == root


def goes_on(first: int, second: int, first_root: bytes, second_root: bytes, path: Sequence[bytes]) -> bool:
    """Verifying a consistency proof: RFC 9162, 2.1.4.2, step by step; equal sizes need no proof."""
    if first == second:
        return not path and first_root == second_root
    if not path:
        return False
    steps = list(path)
    if first & (first - 1) == 0:
        steps.insert(0, first_root)
    fn, sn = first - 1, second - 1
    while fn % 2 == 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = steps[0]
    for c in steps[1:]:
        if sn == 0:
            return False
        if fn % 2 == 1 or fn == sn:
            fr = hashlib.sha256(b"\x01" + c + fr).digest()
            sr = hashlib.sha256(b"\x01" + c + sr).digest()
            while fn % 2 == 0 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = hashlib.sha256(b"\x01" + sr + c).digest()
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and fr == first_root and sr == second_root

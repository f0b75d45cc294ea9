"""Ways to alter a certificate's file byte by byte. None where chance led to nothing that differs."""

from __future__ import annotations

import hashlib
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from .making import record_of
from .miniature import Original

_RANGE: Final = re.compile(rb"/ByteRange \[0 (\d+) (\d+) (\d+)\]")


@dataclass(frozen=True)
class Altered:
    """`by_key_only`: nothing but the known verifier key tells it."""

    pdf: bytes
    by_key_only: bool = False


Kind = Callable[[Original, random.Random], Altered | None]


def placeholder(pdf: bytes) -> tuple[int, int]:
    """Where the hexadecimal digits of the signature begin and end; the marks around them are outside."""
    found = _RANGE.search(pdf)
    assert found is not None
    return int(found[1]) + 1, int(found[2]) - 1


def _outside(pdf: bytes, rng: random.Random, length: int = 1) -> int:
    """A place from which so many bytes lie outside the placeholder."""
    start, end = placeholder(pdf)
    while True:
        place = rng.randrange(len(pdf) - length + 1)
        if place + length <= start or place >= end:
            return place


def _replaced(pdf: bytes, start: int, length: int, by: bytes) -> Altered | None:
    altered = pdf[:start] + by + pdf[start + length :]
    return None if altered == pdf else Altered(altered)


def byte_changed(original: Original, rng: random.Random) -> Altered | None:
    place = _outside(original.pdf, rng)
    return _replaced(original.pdf, place, 1, bytes([rng.randrange(256)]))


def bit_flipped(original: Original, rng: random.Random) -> Altered | None:
    place = _outside(original.pdf, rng)
    return _replaced(original.pdf, place, 1, bytes([original.pdf[place] ^ 1 << rng.randrange(8)]))


def byte_of_structure_changed(original: Original, rng: random.Random) -> Altered | None:
    """In the last part of the file: tables, trailer, the signature's dictionary, the marks of its place."""
    start, end = placeholder(original.pdf)
    near = [*range(max(0, start - 300), start), *range(end, len(original.pdf))]
    return _replaced(original.pdf, rng.choice(near), 1, bytes([rng.choice(b"0123456789<>()/ \nRf")]))


def bytes_deleted(original: Original, rng: random.Random) -> Altered | None:
    length = rng.choice((1, 1, 2, 20, 400))
    return _replaced(original.pdf, _outside(original.pdf, rng, length), length, b"")


def bytes_inserted(original: Original, rng: random.Random) -> Altered | None:
    return _replaced(
        original.pdf, _outside(original.pdf, rng), 0, rng.choice((b" ", b"\n", b"%x\n", rng.randbytes(30)))
    )


def bytes_blanked(original: Original, rng: random.Random) -> Altered | None:
    length = rng.choice((4, 30, 500))
    return _replaced(original.pdf, _outside(original.pdf, rng, length), length, rng.choice((b" ", b"\0")) * length)


def bytes_doubled(original: Original, rng: random.Random) -> Altered | None:
    length = rng.choice((1, 10, 1000))
    place = _outside(original.pdf, rng, length)
    return _replaced(original.pdf, place, 0, original.pdf[place : place + length])


def truncated(original: Original, rng: random.Random) -> Altered | None:
    return Altered(
        original.pdf[: rng.choice((rng.randrange(len(original.pdf)), len(original.pdf) - rng.randint(1, 9)))]
    )


def appended(original: Original, rng: random.Random) -> Altered | None:
    tail = (b"\n", b" ", b"\0", b"%%EOF\n", b"% a remark\n", rng.randbytes(100), original.pdf)
    return Altered(original.pdf + rng.choice(tail))


def put_before(original: Original, rng: random.Random) -> Altered | None:
    return Altered(rng.choice((b"\n", b"%PDF-1.4\n", rng.randbytes(50))) + original.pdf)


def record_changed_in_place(original: Original, rng: random.Random) -> Altered | None:
    """One character of the attached record, where it is not packed; else one byte of what it is packed in."""
    record = record_of(original.pdf)
    begin = original.pdf.find(record)
    if begin < 0:
        return None
    place = begin + rng.randrange(len(record))
    return _replaced(original.pdf, place, 1, rng.choice((b"0", b"9", b"a", b'"', b" ")))


def range_changed(original: Original, rng: random.Random) -> Altered | None:
    """The numbers by which the signature says what it covers."""
    found = _RANGE.search(original.pdf)
    assert found is not None
    numbers = [0, *(int(each) for each in found.groups())]
    numbers[rng.randrange(4)] += rng.choice((-1, 1, 10))
    written = b"/ByteRange [%s]" % b" ".join(b"%d" % each for each in numbers)
    return _replaced(original.pdf, found.start(), len(found[0]), written.ljust(len(found[0])))


def digest_repaired(original: Original, rng: random.Random) -> Altered | None:
    """A byte of the pages, and the digest within the signature to go with it."""
    altered = byte_of_page_changed(original, rng)
    if altered is None:
        return None
    old, new = (_covered_digest(each) for each in (original.pdf, altered.pdf))
    start, end = placeholder(altered.pdf)
    digits = altered.pdf[start:end].lower()
    repaired = digits.replace(old.encode(), new.encode())
    return None if repaired == digits else Altered(altered.pdf[:start] + repaired + altered.pdf[end:])


def byte_of_page_changed(original: Original, rng: random.Random) -> Altered | None:
    """Within what is drawn: nothing that leads to signature or record."""
    place = rng.choice([each + 4 for each in _streams(original.pdf)])
    return _replaced(original.pdf, place, 1, bytes([original.pdf[place] ^ 1]))


def _streams(pdf: bytes) -> list[int]:
    """Where the contents of streams begin, but the record's."""
    found = re.finditer(rb"\bobj\b(?:(?!endobj).){1,400}?\bstream\r?\n", pdf[: placeholder(pdf)[0]], re.DOTALL)
    return [each.end() for each in found if b"/EmbeddedFile" not in each[0]]


def _covered_digest(pdf: bytes) -> str:
    start, end = placeholder(pdf)
    return hashlib.sha256(pdf[: start - 1] + pdf[end + 1 :]).hexdigest()

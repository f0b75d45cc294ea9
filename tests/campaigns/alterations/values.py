"""Another value in the place of one: what somebody who alters a record might write."""

from __future__ import annotations

import random
import uuid
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

HEX = "0123456789abcdef"


def another(value: Any, rng: random.Random) -> Any:
    """A value of the same kind that is not the same; of None nothing is known, and it stays."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + rng.choice((-1, 1, 10))
    if isinstance(value, float):
        return value + rng.choice((-0.5, 0.25, 1e-6))
    if isinstance(value, Decimal):
        return value + rng.choice((-1, 1)) * Decimal(1).scaleb(min(int(value.as_tuple().exponent), 0))
    if isinstance(value, str):
        return _text(value, rng)
    if isinstance(value, datetime):
        return value + rng.choice((timedelta(microseconds=1), timedelta(hours=-1), timedelta(days=400)))
    if isinstance(value, date):
        return value + timedelta(days=rng.choice((-1, 1, 31)))
    if isinstance(value, uuid.UUID):
        return uuid.UUID(int=rng.getrandbits(128), version=4)
    if isinstance(value, bytes | memoryview):
        return _bytes(bytes(value), rng)
    return _collection(value, rng)


def _text(value: str, rng: random.Random) -> str:
    if not value:
        return "x"
    place = rng.randrange(len(value))
    if value[place] in HEX:
        return value[:place] + rng.choice([each for each in HEX if each != value[place]]) + value[place + 1 :]
    return rng.choice((value[:place] + value[place + 1 :], value[:place] + "q" + value[place + 1 :], ""))


def _bytes(value: bytes, rng: random.Random) -> bytes:
    if not value:
        return b"x"
    place = rng.randrange(len(value))
    return value[:place] + bytes([value[place] ^ (1 << rng.randrange(8))]) + value[place + 1 :]


def _collection(value: Any, rng: random.Random) -> Any:
    if isinstance(value, dict):
        if not value or rng.random() < 0.1:
            return {**value, "added": 1}
        key = rng.choice(sorted(value))
        if rng.random() < 0.1:
            return {name: each for name, each in value.items() if name != key}
        return {**value, key: another(value[key], rng)}
    if isinstance(value, list):
        if not value or rng.random() < 0.1:
            return [*value, *value[:1]] if value else [1]
        place = rng.randrange(len(value))
        if rng.random() < 0.1:
            return value[:place] + value[place + 1 :]
        return [*value[:place], another(value[place], rng), *value[place + 1 :]]
    return value

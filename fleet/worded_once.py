"""Queries of every step are worded once: the ORM takes longer to word one than the server to answer it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import wraps
from typing import Any, Final, NamedTuple, ParamSpec, TypeVar
from uuid import UUID

from django.core.exceptions import EmptyResultSet
from django.db import connections
from django.db.models import QuerySet

P = ParamSpec("P")
RowT = TypeVar("RowT")

MOST_SHAPES: Final = 200
"""Of one query, by the lengths of what it was given; more than that are forgotten and worded anew."""
FIRST_TIME: Final = datetime.min.replace(tzinfo=UTC)
STAND_INS: Final = (range(1_000_000, 2_000_000), range(3_000_000, 2_000_000, -1))
"""Numbers that no id in use has, nor, as seconds of the first year, any time; once in rising and once in falling
order."""


class Wording(NamedTuple):
    """A query as it was worded for stand-ins."""

    queryset: QuerySet[Any, Any]
    compiler: Any
    sql: str
    parameters: tuple[Any, ...]


def worded_once(build: Callable[P, QuerySet[Any, RowT]]) -> Callable[P, list[RowT]]:
    """Have the rows of what `build` returns, which is called once for each shape of its arguments.

    Ids and times, alone or in tuples, may be others each time: `build` gets stand-ins for them, and may only hand them
    to the query. All other arguments are part of the shape.
    """
    kept: dict[tuple[object, ...], Wording | None] = {}

    @wraps(build)
    def rows(*given: P.args, **named: P.kwargs) -> list[RowT]:
        assert not named, "arguments are given by their places"
        values: list[object] = []
        shape = _shape(given, values)
        try:
            wording = kept[shape]
        except KeyError:  # looked up once: another thread may have all forgotten in between
            if len(kept) >= MOST_SHAPES:
                kept.clear()
            wording = kept[shape] = _worded(build, given)
        return [] if wording is None else _answered(wording, values)

    return rows


def _shape(given: tuple[Any, ...], values: list[object]) -> tuple[object, ...]:
    """Of what kind the arguments are; the `values` that may be others next time are added to the list."""
    shape: list[object] = []
    for each in given:
        if isinstance(each, UUID):
            values.append(each)
            shape.append(UUID)
        elif isinstance(each, datetime):
            if each.tzinfo is None:
                raise ValueError("a time without a zone may mean any")
            values.append(each)
            shape.append(datetime)
        else:
            shape.append(_shape(each, values) if isinstance(each, tuple) else each)
    return tuple(shape)


def _worded(build: Callable[..., QuerySet[Any, Any]], given: tuple[Any, ...]) -> Wording | None:
    """Worded for two sets of stand-ins: where that gives two queries, one of them would answer for other values."""
    first, second = (_worded_for(build, given, stand_ins) for stand_ins in STAND_INS)
    if (first and (first.sql, first.parameters)) != (second and (second.sql, second.parameters)):
        raise ValueError(f"{build.__qualname__}: the query depends on more than is handed to it as it is")
    return first


def _worded_for(
    build: Callable[..., QuerySet[Any, Any]], given: tuple[Any, ...], stand_ins: Sequence[int]
) -> Wording | None:
    places: dict[object, int] = {}
    queryset = build(*_stand_ins(given, places, stand_ins))
    assert not queryset.query.select_for_update, "the ORM refuses to lock outside a transaction, each time anew"
    compiler = queryset.query.get_compiler(using=queryset.db)
    try:
        sql, parameters = compiler.as_sql()
    except EmptyResultSet:
        return None
    found = tuple(Value(places[each]) if _is_among(places, each) else each for each in parameters)
    missing = set(places.values()) - {each.place for each in found if isinstance(each, Value)}
    if missing:
        raise ValueError(f"{build.__qualname__}: an id or time does not reach the query as it is")
    return Wording(queryset, compiler, sql, found)


class Value(NamedTuple):
    """Where a parameter stands among what the caller gave."""

    place: int


def _is_among(places: dict[object, int], parameter: object) -> bool:
    return isinstance(parameter, (UUID, datetime)) and parameter in places


def _stand_ins(given: tuple[Any, ...], places: dict[object, int], numbers: Sequence[int]) -> Iterator[Any]:
    for each in given:
        if isinstance(each, tuple):
            yield tuple(_stand_ins(each, places, numbers))
        elif isinstance(each, (UUID, datetime)):
            place = len(places)
            number = numbers[place]
            stand_in = UUID(int=number) if isinstance(each, UUID) else FIRST_TIME + timedelta(seconds=number)
            places[stand_in] = place
            yield stand_in
        else:
            yield each


def _answered(wording: Wording, values: list[object]) -> list[Any]:
    parameters = tuple(values[each.place] if isinstance(each, Value) else each for each in wording.parameters)
    compiler = copy.copy(wording.compiler)
    compiler.connection = connections[wording.queryset.db]  # each thread has its own
    compiler.as_sql = lambda *_with: (wording.sql, parameters)
    rows = wording.queryset.all()
    rows.query.get_compiler = lambda *_for, **_using: compiler  # type: ignore[method-assign]
    return list(rows)

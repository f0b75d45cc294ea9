"""The whole of a workshop's records, in the order in which what comes later rests on what comes before."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain

from django.db import connection, transaction

from fleet.signed_heads import Head

from .entries import BooksRead, read_books
from .problem import Problem
from .rows import RowsRead, read_rows, read_told_rows
from .tree import TreeRead, read_tree


@dataclass(frozen=True, slots=True)
class Verified:
    """How much was read, and the first bad record; None where all is as it was."""

    problem: Problem | None
    entries: int
    books: int
    leaves: int
    checkpoints: int
    rows: int
    unproven: int = 0
    """Of the checkpoints, those whose signing key is lost."""


def verify_workshop(workshop_id: uuid.UUID, outside: Sequence[Head] = (), *, key_is_lost: bool = False) -> Verified:
    """Verify the workshop that the running transaction is in; stops at the first bad record.

    `outside` are heads of its tree that were kept elsewhere. Only they tell of a history that was rewritten by somebody
    who has the installation's key as well. With `key_is_lost`, nobody asks who signed the heads.
    """
    books, tree, rows = BooksRead(), TreeRead(), RowsRead()
    problems = chain(
        read_books(books),
        read_tree(workshop_id, outside, tree, key_is_lost=key_is_lost),
        read_rows(workshop_id, books.said, rows),
    )
    return Verified(
        problem=next(problems, None),
        entries=books.entries,
        books=books.books,
        leaves=tree.tree.size,
        checkpoints=tree.heads,
        rows=rows.rows,
        unproven=tree.unproven,
    )


def problems_of_vehicles(workshop_id: uuid.UUID, vehicles: Collection[uuid.UUID]) -> Iterator[Problem]:
    """What is wrong with the books of some vehicles and of their workshop, and with the rows that they tell of.

    The vehicles have to be all to or from which anything of theirs was moved.
    """
    books = BooksRead()
    yield from read_books(books, {workshop_id, *vehicles})
    yield from read_told_rows(workshop_id, books.said, RowsRead())


@contextmanager
def consistent_snapshot() -> Iterator[None]:
    """A transaction that sees one state of the database from its beginning to its end, and changes nothing."""
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield

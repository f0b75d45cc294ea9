"""Numbers of a workshop's series, without gaps: a number is taken only if the transaction that took it commits."""

from __future__ import annotations

from django.db import connection

from .actor import Actor
from .ids import new_id

NEXT_SQL = """
    INSERT INTO fleet_numbering (id, workshop_id, series, last) VALUES (%s, %s, %s, 1)
    ON CONFLICT (workshop_id, series) DO UPDATE SET last = fleet_numbering.last + 1
    RETURNING last
"""


def next_number(actor: Actor, series: str) -> int:
    """The next number of a series, from 1; holds the series until the transaction ends."""
    with connection.cursor() as cursor:
        cursor.execute(NEXT_SQL, [new_id(), actor.workshop_id, series])
        number: int = cursor.fetchone()[0]
    return number

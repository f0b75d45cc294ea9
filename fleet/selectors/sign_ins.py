"""What happened at the door, newest first: a person's own, or as a manager everybody's in the workshop."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import BinaryField, F, QuerySet, UUIDField, Value
from django.db.models.functions import Cast

from fleet.actor import Actor
from fleet.models import Membership, RefusedSignIn, SignInEvent
from fleet.services.changes import acting_person
from fleet.services.sign_in_events import subject_of

COLUMNS = ("at", "kind", "how", "address", "member", "tried")
WORDS = {**dict(SignInEvent.Kind.choices), **dict(RefusedSignIn.Kind.choices)}
Row = tuple[datetime, str, str, str | None, UUID | None, bytes | None]


@dataclass(frozen=True, slots=True)
class DoorEvent:
    """One thing that happened to somebody's way in."""

    at: datetime
    person: str
    what: Any
    how: str
    address: str | None


class Door:
    """The events of some people, read in parts: `rows` in the order of a list, `events` of those that are shown."""

    def __init__(self, people: Iterable[Membership]) -> None:
        listed = list(people)
        self._names = {person.pk: person.name for person in listed}
        self._tried = {subject_of(person.user.email): person.name for person in listed}

    def rows(self) -> QuerySet[Any, Any]:
        """Both tables as one."""
        noted = SignInEvent.objects.filter(membership__in=self._names).order_by()
        refused = RefusedSignIn.objects.filter(subject__in=self._tried).order_by()
        both = noted.annotate(
            at=F("recorded_at"), member=F("membership_id"), tried=Cast(Value(None), BinaryField())
        ).values_list(*COLUMNS, "id")
        failed = refused.annotate(
            at=F("happened_at"), member=Cast(Value(None), UUIDField()), tried=F("subject")
        ).values_list(*COLUMNS, "id")
        return both.union(failed, all=True).order_by("-at", "id")

    def events(self, rows: Iterable[Any]) -> list[DoorEvent]:
        return [self._event(row[: len(COLUMNS)]) for row in rows]

    def _event(self, row: Row) -> DoorEvent:
        at, kind, how, address, member, tried = row
        person = self._names[member] if member else self._tried[bytes(tried or b"")]
        return DoorEvent(at, person, WORDS[kind], how, address)


def own_door(actor: Actor) -> Door:
    return Door([acting_person(actor, Membership.objects.select_related("user"))])


def workshops_door(named: str = "") -> Door:
    """Of everybody in the workshop in whose name or address a text occurs; the caller has checked who asks."""
    people = Membership.objects.select_related("user")
    return Door(people.filter(name__icontains=named) | people.filter(user__email__icontains=named) if named else people)

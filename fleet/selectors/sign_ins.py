"""What happened at the door, newest first: a person's own, or as a manager everybody's in the workshop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from fleet.actor import Actor
from fleet.models import Membership, RefusedSignIn, SignInEvent
from fleet.services.changes import acting_person
from fleet.services.sign_in_events import subject_of

MOST_SHOWN: Final = 200


@dataclass(frozen=True, slots=True)
class DoorEvent:
    """One thing that happened to somebody's way in."""

    at: datetime
    person: str
    what: str
    how: str
    address: str | None


def own_sign_ins(actor: Actor) -> list[DoorEvent]:
    return _door_events([acting_person(actor, Membership.objects.select_related("user"))])


def workshop_sign_ins() -> list[DoorEvent]:
    """Of everybody in the workshop; the caller has checked who asks."""
    return _door_events(list(Membership.objects.select_related("user")))


def _door_events(people: list[Membership]) -> list[DoorEvent]:
    names = {person.pk: person.name for person in people}
    subjects = {subject_of(person.user.email): person.name for person in people}
    noted = SignInEvent.objects.filter(membership__in=names)[:MOST_SHOWN]
    refused = RefusedSignIn.objects.filter(subject__in=subjects)[:MOST_SHOWN]
    events = [DoorEvent(e.recorded_at, names[e.membership_id], e.get_kind_display(), e.how, e.address) for e in noted]
    events += [
        DoorEvent(r.happened_at, subjects[bytes(r.subject)], r.get_kind_display(), r.how, r.address) for r in refused
    ]
    return sorted(events, key=lambda event: event.at, reverse=True)[:MOST_SHOWN]

"""Acting on a past day. Only a workshop that the demo loader made may be acted in so."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.models import Membership, Workshop

LAST_ARRIVAL = time(15, 0)
"""Later nobody takes a vehicle in."""
TUESDAY = 1
SATURDAY = 5


class NotTheDemoError(RuntimeError):
    """Past days are acted on in the demo workshop only."""


def require_demo(workshop: Workshop) -> None:
    """Refuse a workshop that the loader did not make."""
    if not workshop.is_demo:
        raise NotTheDemoError(
            f"The workshop {workshop.name!r} was not made by the demo loader. Nothing is recorded there on past days."
        )


def person_at(person: Membership, now: datetime) -> Actor:
    """A member of the demo workshop acting at the given time."""
    require_demo(person.workshop)
    return actor_for(person, now)


def service_at(workshop: Workshop, now: datetime) -> Actor:
    """The service itself acting in the demo workshop at the given time."""
    require_demo(workshop)
    return Actor.system(workshop.pk, now)


def working_day(now: datetime, days_ago: int, hour: int, minute: int = 0) -> datetime:
    """A time on the last working day that lies at least so many days back."""
    day = (now - timedelta(days=days_ago)).date()
    while day.weekday() >= SATURDAY:
        day -= timedelta(days=1)
    return datetime.combine(day, time(hour, minute), tzinfo=UTC)


def next_working_day(now: datetime, days: int, hour: int) -> datetime:
    """The first working day at least so many days on."""
    day = (now + timedelta(days=days)).date()
    while day.weekday() >= SATURDAY:
        day += timedelta(days=1)
    return datetime.combine(day, time(hour, 20), tzinfo=UTC)


def winter_day(now: datetime) -> int:
    """How many days ago the last midwinter Tuesday was that lies a month back at the least: a night may follow it."""
    midwinter = now.replace(month=1, day=20)
    while midwinter > now - timedelta(days=31):
        midwinter = midwinter.replace(year=midwinter.year - 1)
    return (now - midwinter).days + (midwinter.weekday() - TUESDAY) % 7


def bay_day(now: datetime) -> int:
    """How many days ago the vehicles still in the bay arrived: today once the working day is over, else before."""
    return 0 if now.time() >= LAST_ARRIVAL and now.weekday() < SATURDAY else 1

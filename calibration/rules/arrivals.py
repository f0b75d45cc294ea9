"""When a fact counts among the others: at the time noted for it, or where that cannot be right when it arrived."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fleet.actor import CLOCK_TOLERANCE

from .finding_kinds import Arrival, NewFinding
from .record import JobRecord, Resumed, TyresFitted
from .sightings import Sighting, contradiction


def clock_is_wrong(record: JobRecord, arrival: Arrival) -> bool:
    """Later than the server's time, or before the job opened. Lateness alone is no fault of the clock.

    Times noted by hand are whole minutes, and no two clocks agree: hence the tolerance on both sides.
    """
    return not record.opened_at - CLOCK_TOLERANCE <= arrival.happened_at <= arrival.now + CLOCK_TOLERANCE


@dataclass(frozen=True, slots=True)
class Place:
    """When a fact counts among the others, and what speaks against the time noted for it where set-points do."""

    at: datetime
    contradicted_by: Sighting | None = None


def place_of(record: JobRecord, arrival: Arrival, seen: Sighting) -> Place:
    """When a fact happened: a time that cannot be right, or not with the set-points seen, gives way to its arrival.

    A clock that is a year ahead would otherwise keep its round the latest one for a year. Nor can a time be right
    that lies before such a fact's arrival, since a tablet sends in order: a clock that lags would otherwise put
    every later round before the write that it followed.
    """
    if time_of(record, arrival) != arrival.noted_at:
        return Place(arrival.now)
    later = contradiction(record, seen)
    return Place(arrival.now, later) if later else Place(arrival.noted_at)


def time_of(record: JobRecord, arrival: Arrival) -> datetime:
    """The same for a fact that says nothing of set-points: as noted, or its arrival where that cannot be right."""
    is_odd = clock_is_wrong(record, arrival) or _contradicts_its_order(record, arrival)
    return arrival.now if is_odd else arrival.noted_at


def time_of_event(opened_at: datetime | None, happened_at: datetime, recorded_at: datetime) -> datetime:
    """When a service event happened, recorded in a job that opened then or in none: at the latest when it was recorded.

    Work done before the job says nothing against what was measured in it. But one noted for the last minutes before
    may as well have been done in the job, by another clock: it counts from when it was recorded.
    """
    just_before = opened_at is not None and opened_at - CLOCK_TOLERANCE <= happened_at < opened_at
    return recorded_at if just_before else min(happened_at, recorded_at)


def _contradicts_its_order(record: JobRecord, arrival: Arrival) -> bool:
    """Noted before what carries the server's own time, and no more than clocks may differ, though it came after."""
    wrong = [each.recorded_at for each in record.findings if each.code == "clock_wrong"]
    timed_here = [each.recorded_at for each in record.facts if isinstance(each, Resumed | TyresFitted)]
    return any(arrival.happened_at < each for each in wrong) or any(
        each - CLOCK_TOLERANCE <= arrival.happened_at < each for each in timed_here
    )


def of_arrival(record: JobRecord, arrival: Arrival) -> list[NewFinding]:
    """What any fact may carry: a clock that cannot be right, a job that was closed already."""
    found = []
    if clock_is_wrong(record, arrival):
        found.append(
            arrival.finding(
                "clock_wrong",
                happened_at=arrival.happened_at.isoformat(),
                opened_at=record.opened_at.isoformat(),
                recorded_at=arrival.now.isoformat(),
            )
        )
    if record.is_closed:
        found.append(arrival.finding("recorded_after_close", state=record.state))
    return found


def of_place(arrival: Arrival, place: Place) -> list[NewFinding]:
    """A round or write that counts from its arrival, because the set-points speak against the time noted for it."""
    if place.contradicted_by is None:
        return []
    return [
        arrival.finding(
            "noted_out_of_order",
            happened_at=arrival.happened_at.isoformat(),
            later_at=place.contradicted_by.at.isoformat(),
            recorded_at=arrival.now.isoformat(),
        )
    ]

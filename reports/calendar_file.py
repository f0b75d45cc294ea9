"""What is due for one member as an iCalendar object (RFC 5545, with the properties of RFC 7986).

Each thing is one all-day event whose `UID` stays the same: when it is due another day, the event moves, and `SEQUENCE`
and `LAST-MODIFIED` say so. There is no `METHOD`, so `DTSTAMP` is when the event was last changed, and what has not
changed is the same bytes again. Registration and VIN, what is known of the vehicle in two
words, number of the instrument: nothing else of anybody is in it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from typing import Any, Final

from django.conf import settings
from django.urls import reverse
from django.utils import translation
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from icalendar import Calendar, Event

from calibration.models import DriftSeries
from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.looks.dates import day
from fleet.models import Instrument, Membership, Vehicle
from fleet.selectors.vehicles import sees_whole_workshop, vehicles_now_of

from .selectors.due import DueThing, calibrations, checks
from .selectors.standing import BETWEEN_JOBS, known_changed_at, with_known
from .standing_words import known_word

AHEAD: Final = timedelta(days=400)
MOST_EVENTS: Final = 2_000
READ_AGAIN: Final = timedelta(hours=6)
PRODUCT: Final = "-//Levelbook//Calendar 1//EN"
_NAMESPACE: Final = uuid.UUID("6c1f62f4-64a5-5d39-8a55-0a4d1c7f2b5e")
_COUNTED_FROM: Final = datetime(2020, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Entry:
    """One event before it is written."""

    uid: str
    due_on: date
    changed_at: datetime
    summary: str
    description: str
    path: str
    category: str


def calendar_file(person: Membership, now: datetime) -> bytes:
    """The member's calendar, in their language: of the whole workshop, or of the vehicles that now are their
    operator's."""
    actor = actor_for(person, now)
    language = person.language or person.workshop.language
    with translation.override(language):
        entries = list(islice(_entries(actor), MOST_EVENTS))
        calendar = _calendar(person, language, entries)
        for entry in entries:
            calendar.add_component(_event(entry, language))
    return bytes(calendar.to_ical())


def _entries(actor: Actor) -> Iterator[Entry]:
    yield from _of_vehicles(actor)
    if sees_whole_workshop(actor):
        yield from _of_instruments(actor)


def _of_vehicles(actor: Actor) -> Iterator[Entry]:
    of_vehicles = DriftSeries.objects.filter(vehicle__in=vehicles_now_of(actor).order_by())
    due = list(checks(of_vehicles, actor.now, within=AHEAD))
    of_due = Vehicle.objects.filter(pk__in=[each.vehicle for each in due])
    vehicles, changed = with_known(of_due, actor).in_bulk(), known_changed_at(of_due, actor.now)
    for each in due:
        assert each.vehicle is not None  # that is what was asked for
        vehicle = vehicles[each.vehicle]
        yield Entry(
            uid=_uid("check", vehicle.pk),
            due_on=each.due_on,
            changed_at=max(each.known_since, changed.get(vehicle.pk, each.known_since)),
            summary=_check_summary(vehicle),
            description="\n".join(_about_check(vehicle, each)),
            path=reverse("vehicle_page", args=[vehicle.vin]),
            category=_("Height checks"),
        )


def _check_summary(vehicle: Any) -> str:
    """With what is known of the vehicle between jobs: a day months ahead must not be all that it says."""
    name = {"vehicle": vehicle.registration or vehicle.vin}
    if vehicle.known not in BETWEEN_JOBS:
        return _("Height check due: %(vehicle)s") % name
    return _("%(known)s: %(vehicle)s; height check due") % {**name, "known": known_word(vehicle.known)}


def _about_check(vehicle: Vehicle, due: DueThing) -> Iterator[str]:
    yield _("VIN %(vin)s") % {"vin": vehicle.vin}
    yield _("Last measured on %(on)s") % {"on": day(due.done_on)}
    if due.due_at_km is not None:
        km = number_format(due.due_at_km, force_grouping=True)
        yield _("Due at %(km)s km, which is expected to be reached on this day") % {"km": km}


def _of_instruments(actor: Actor) -> Iterator[Entry]:
    due = sorted(calibrations(actor.now, within=AHEAD), key=lambda each: (each.due_on, str(each.instrument)))
    found = Instrument.objects.in_bulk([each.instrument for each in due])
    for each in due:
        assert each.instrument is not None  # that is what was asked for
        instrument = found[each.instrument]
        yield Entry(
            uid=_uid("calibration", instrument.pk),
            due_on=each.due_on,
            changed_at=each.known_since,
            summary=_("Calibration due: %(kind)s %(serial)s")
            % {"kind": instrument.get_kind_display(), "serial": instrument.serial},
            description=_("Last calibrated on %(on)s") % {"on": day(each.done_on)},
            path=reverse("instrument", args=[instrument.pk]),
            category=_("Calibrations"),
        )


def _calendar(person: Membership, language: str, entries: Iterable[Entry]) -> Calendar:
    name = _("Due at %(workshop)s") % {"workshop": person.workshop.name}
    about = _("Height checks of vehicles and calibrations of instruments, on the day by which they are due.")
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("uid", _uid("calendar", person.pk))
    calendar.add("name", name, parameters={"language": language})
    calendar.add("x-wr-calname", name)  # of before RFC 7986, which many programs read
    calendar.add("description", about, parameters={"language": language})
    calendar.add("url", f"{settings.PUBLIC_URL}/")
    calendar.add("refresh-interval", READ_AGAIN, parameters={"value": "DURATION"})
    calendar.add("last-modified", max((_seconds(each.changed_at) for each in entries), default=_COUNTED_FROM))
    return calendar


def _event(entry: Entry, language: str) -> Event:
    changed_at, spoken = _seconds(entry.changed_at), {"language": language}
    values: dict[str, Any] = {
        "uid": entry.uid,
        "dtstamp": changed_at,
        "last-modified": changed_at,
        "sequence": int((changed_at - _COUNTED_FROM).total_seconds()),
        "dtstart": entry.due_on,
        "dtend": entry.due_on + timedelta(days=1),
        "categories": [entry.category],
        "class": "PRIVATE",
        "transp": "TRANSPARENT",
        "url": settings.PUBLIC_URL + entry.path,
    }
    event = Event()
    event.add("summary", entry.summary, parameters=spoken)
    event.add("description", entry.description, parameters=spoken)
    for name, value in values.items():
        event.add(name, value)
    return event


def _uid(kind: str, record_id: uuid.UUID) -> str:
    """A UUID, as RFC 7986 recommends: it names nobody and no machine."""
    return str(uuid.uuid5(_NAMESPACE, f"{kind}:{record_id}"))


def _seconds(at: datetime) -> datetime:
    """UTC, to the whole second, not before the day from which changes are counted."""
    return max(at.astimezone(UTC).replace(microsecond=0), _COUNTED_FROM)

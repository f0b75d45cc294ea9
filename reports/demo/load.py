"""Telling the stories in the order of their days, each followed by the background work that it asked for."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from heapq import heapify, heappop, heappush
from typing import Final

import numpy as np
from django.db import transaction

from fleet import outbox
from fleet.credentials import memberships_of
from fleet.models import Instrument, OutboxItem, User, Workshop
from fleet.tenancy import in_workshop

from . import people
from .clock import require_demo, service_at, working_day
from .stories import STORIES
from .teller import Teller
from .visit import Rest
from .workshop import NAME, YEAR, DemoWorkshop, calibrate_again, found

BEGAN_DAYS_AGO: Final = 745
BACKGROUND_DELAY: Final = timedelta(minutes=1)
RANDOM_SEED: Final = 1187

Course = Iterator[Rest]
"""Something that goes on in pieces."""


def load_demo(now: datetime, random_seed: int = RANDOM_SEED) -> Workshop:
    """Make the demo workshop, all of it or nothing; the one there is where it was made before."""
    with transaction.atomic():
        workshop = existing_demo()
        return workshop or _tell(now, random_seed)


def existing_demo() -> Workshop | None:
    """The demo workshop, where it was loaded before. One of that name that was not made by the loader is refused."""
    user = User.objects.filter(email=people.MANAGER.email).first()
    if user is None:
        return None
    for workshop_id, _member, name in memberships_of(user.pk):
        if name == NAME:
            with in_workshop(workshop_id):
                workshop = Workshop.objects.get(pk=workshop_id)
            require_demo(workshop)
            return workshop
    return None


def _tell(now: datetime, random_seed: int) -> Workshop:
    demo = found(working_day(now, BEGAN_DAYS_AGO, 8))
    with in_workshop(demo.workshop.pk):
        _go_through(demo.workshop, [*_calibrations(demo, now), *_scenes(demo, now, random_seed)])
    return demo.workshop


def _go_through(workshop: Workshop, beginnings: Iterable[tuple[datetime, Course]]) -> None:
    """Whatever is next, each piece followed by its background work: what takes days lets others go on meanwhile."""
    queue = [(begins_at, number, course) for number, (begins_at, course) in enumerate(beginnings)]
    heapify(queue)
    while queue:
        begins_at, number, course = heappop(queue)
        perform_background_work(workshop, begins_at)
        rest = next(course)
        perform_background_work(workshop, rest.over_at + BACKGROUND_DELAY)
        if rest.goes_on_at is not None:
            heappush(queue, (rest.goes_on_at, number, course))


def perform_background_work(workshop: Workshop, at: datetime) -> None:
    """Certificates, alerts and what else was asked for, as the worker does it, at the demo's time."""
    actor = service_at(workshop, at)
    due = OutboxItem.objects.filter(state=OutboxItem.State.WAITING, due_at__lte=actor.now).order_by("created_at", "id")
    while waiting := list(_asked_once(list(due.all()))):
        for item in waiting:
            if not outbox.perform(workshop.pk, item.pk, at=actor.now):
                item.refresh_from_db()
                raise RuntimeError(f"The demo's background work {item.kind} failed: {item.error}")


def _asked_once(items: Sequence[OutboxItem]) -> Iterator[OutboxItem]:
    """Each step of a visit asks for its vehicle's drift to be followed: nobody else is at work, once is enough."""
    by_content = {(item.kind, json.dumps(item.payload, sort_keys=True)): item for item in items}
    for item in items:
        if by_content[item.kind, json.dumps(item.payload, sort_keys=True)] is item:
            yield item
        else:
            item.delete()


def _calibrations(demo: DemoWorkshop, now: datetime) -> Iterator[tuple[datetime, Course]]:
    """Each instrument goes to its yearly calibration some days before it is due."""
    for instrument in (demo.tape, demo.laser):
        at = instrument.created_at + YEAR - timedelta(days=33)
        while at < now:
            yield at, _calibration(demo, instrument, at)
            at += YEAR - timedelta(days=12)


def _calibration(demo: DemoWorkshop, instrument: Instrument, at: datetime) -> Course:
    calibrate_again(demo, instrument, at)
    yield Rest(at)


def _scenes(demo: DemoWorkshop, now: datetime, random_seed: int) -> Iterator[tuple[datetime, Course]]:
    for number, story in enumerate(STORIES):
        teller = Teller(demo, story, np.random.default_rng((random_seed, number)))
        for scene in story.scenes:
            starts_at = scene.starts_at(now)
            yield starts_at, teller.play(scene, starts_at)

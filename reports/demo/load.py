"""Telling the stories in the order of their days, each followed by the background work that it asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from django.db import transaction

from fleet import outbox, services
from fleet.credentials import memberships_of
from fleet.ids import new_id
from fleet.models import Instrument, Membership, OutboxItem, User, Vehicle, Workshop
from fleet.tenancy import in_workshop
from fleet.vin import with_check_digit

from . import people
from .clock import person_at, require_demo, service_at, working_day
from .simulated_tape import Tape
from .simulated_vehicle import CORNER_NAMES, HEALTHY, SimulatedVehicle, draw_truth
from .stories import STORIES, Scene, Story
from .visit import Visit
from .workshop import MODELS, NAME, YEAR, DemoWorkshop, calibrate_again, found

BEGAN_DAYS_AGO: Final = 430
UNUSED_MAKER: Final = "0LB"
"""No region has 0 as the first character of its maker codes (ISO 3780)."""
BACKGROUND_DELAY: Final = timedelta(minutes=1)
RANDOM_SEED: Final = 1187

Happening = tuple[datetime, Callable[[], datetime]]
"""When something begins, and what then is done; it gives the time at which that was over."""


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
        happenings = [*_calibrations(demo, now), *_scenes(demo, now, random_seed)]
        for begins_at, happen in sorted(happenings, key=lambda each: each[0]):
            perform_background_work(demo.workshop, begins_at)
            perform_background_work(demo.workshop, happen() + BACKGROUND_DELAY)
    return demo.workshop


def perform_background_work(workshop: Workshop, at: datetime) -> None:
    """Certificates and what else was asked for, as the worker does it, at the demo's time."""
    actor = service_at(workshop, at)
    due = OutboxItem.objects.filter(state=OutboxItem.State.WAITING, due_at__lte=actor.now).order_by("created_at", "id")
    while waiting := list(due.all()):
        for item in waiting:
            if not outbox.perform(workshop.pk, item.pk, at=actor.now):
                item.refresh_from_db()
                raise RuntimeError(f"The demo's background work {item.kind} failed: {item.error}")


def _calibrations(demo: DemoWorkshop, now: datetime) -> Iterator[Happening]:
    """Each instrument goes to its yearly calibration some days before it is due."""
    for instrument in (demo.tape, demo.laser):
        at = instrument.created_at + YEAR - timedelta(days=33)
        while at < now:
            yield at, _calibration(demo, instrument, at)
            at += YEAR - timedelta(days=12)


def _calibration(demo: DemoWorkshop, instrument: Instrument, at: datetime) -> Callable[[], datetime]:
    def happen() -> datetime:
        calibrate_again(demo, instrument, at)
        return at

    return happen


def _scenes(demo: DemoWorkshop, now: datetime, random_seed: int) -> Iterator[Happening]:
    for number, story in enumerate(STORIES):
        teller = _Teller(demo, story, np.random.default_rng((random_seed, number)))
        for scene in story.scenes:
            starts_at = scene.starts_at(now)
            yield starts_at, teller.happening(scene, starts_at)


@dataclass
class _Teller:
    """One vehicle through all its visits."""

    demo: DemoWorkshop
    story: Story
    rng: np.random.Generator
    simulated: SimulatedVehicle | None = None
    vehicle: Vehicle | None = None

    def happening(self, scene: Scene, starts_at: datetime) -> Callable[[], datetime]:
        def happen() -> datetime:
            return self._play(scene, starts_at)

        return happen

    def _play(self, scene: Scene, starts_at: datetime) -> datetime:
        vehicle = self.vehicle or self._arrive(scene, starts_at)
        simulated = self.simulated or drawn_vehicle(self.story, self.rng)
        self.vehicle, self.simulated = vehicle, simulated
        simulated.age(scene.ages_mm)
        visit = Visit(
            demo=self.demo,
            vehicle=vehicle,
            simulated=simulated,
            tape=Tape(self.rng, slip_share=0.0),
            technician=scene.technician,
            now=starts_at + timedelta(minutes=10),
        )
        scene.telling(visit.open(scene.reason, scene.odometer_km, scene.note))
        return visit.now

    def _arrive(self, scene: Scene, at: datetime) -> Vehicle:
        """The first visit: the vehicle is recorded with its tyres."""
        story, model = self.story, MODELS[self.story.model]
        actor = person_at(self._technician(scene), at)
        vehicle = services.vehicle_add(
            actor=actor,
            record_id=new_id(),
            vin=with_check_digit(f"{UNUSED_MAKER}{model.vds}0{_year_code(story.model_year)}T{story.serial}"),
            registration=story.registration,
            vehicle_model=self.demo.models[story.model].pk,
            operator=self.demo.operators[story.operator].pk,
            model_year=story.model_year,
        )
        services.fitment_record(
            actor=person_at(self._technician(scene), at + timedelta(minutes=4)),
            record_id=new_id(),
            vehicle=vehicle,
            fitted_on=at.date(),
            tyres=dict.fromkeys(CORNER_NAMES, model.tyre),
        )
        return vehicle

    def _technician(self, scene: Scene) -> Membership:
        return self.demo.members[scene.technician]


def drawn_vehicle(story: Story, rng: np.random.Generator) -> SimulatedVehicle:
    """The vehicle of a story as it arrives for the first time."""
    specification: dict[str, Any] = dict(MODELS[story.model].specification)
    errors = np.array([story.errors_mm.get(corner, 0.0) for corner in CORNER_NAMES])
    where, fault = story.faulty or ("", HEALTHY)
    a, b, c, d = (fault if corner == where else HEALTHY for corner in CORNER_NAMES)
    truth = draw_truth(specification, errors, (a, b, c, d), rng)
    return SimulatedVehicle(truth, tuple(specification.get("controlled_corners", CORNER_NAMES)), rng)


def _year_code(model_year: int) -> str:
    """Position 10 of a VIN for 2010 to 2039 (ISO 3779, table of year codes)."""
    return "ABCDEFGHJKLMNPRSTVWXY123456789"[model_year - 2010]

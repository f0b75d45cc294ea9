"""Telling one story: a vehicle through all that happens to it, as it would be recorded on the day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from functools import singledispatchmethod
from typing import Any, Final

import numpy as np

from calibration.services.height_checks import height_check_record
from fleet import services
from fleet.ids import new_id
from fleet.models import Vehicle
from fleet.vin import with_check_digit

from ..models import DriftAlert
from ..services.alerts import alert_acknowledge
from .clock import person_at
from .scenes import Answer, Check, Job, Scene, Story
from .simulated_tape import Tape
from .simulated_vehicle import CORNER_NAMES, HEALTHY, SimulatedVehicle, draw_truth
from .visit import MINUTES, READINGS, Rest, Visit
from .workshop import MODELS, DemoWorkshop

UNUSED_MAKER: Final = "0LB"
"""No region has 0 as the first character of its maker codes (ISO 3780)."""
YEAR: Final = timedelta(days=365.25)


@dataclass
class Teller:
    """One vehicle, from when it is first seen."""

    demo: DemoWorkshop
    story: Story
    rng: np.random.Generator
    simulated: SimulatedVehicle | None = None
    vehicle: Vehicle | None = None
    seen_at: datetime | None = None

    def play(self, scene: Scene, starts_at: datetime) -> Iterator[Rest]:
        """A scene from its beginning, in the pieces in which it happens; each says when it was over."""
        if isinstance(scene, Answer):
            yield self._answer(scene, starts_at)
            return
        vehicle = self.vehicle or self._arrive(scene, starts_at)
        simulated = self.simulated or drawn_vehicle(self.story, self.rng)
        self.vehicle, self.simulated = vehicle, simulated
        simulated.age(scene.ages_mm, (starts_at - (self.seen_at or starts_at)) / YEAR)
        self.seen_at = starts_at
        yield from self._measure(scene, vehicle, simulated, starts_at + timedelta(minutes=10))

    @singledispatchmethod
    def _measure(self, scene: Scene, vehicle: Vehicle, simulated: SimulatedVehicle, now: datetime) -> Iterator[Rest]:
        raise TypeError(type(scene).__name__)

    @_measure.register
    def _of_job(self, scene: Job, vehicle: Vehicle, simulated: SimulatedVehicle, now: datetime) -> Iterator[Rest]:
        tape = Tape(self.rng, slip_share=0.0)
        visit = Visit(self.demo, vehicle, simulated, tape, technician=scene.who, now=now)
        yield from scene.telling(visit.open(scene.reason, scene.odometer_km, scene.note)) or ()
        yield Rest(visit.now)

    @_measure.register
    def _of_check(self, scene: Check, vehicle: Vehicle, simulated: SimulatedVehicle, now: datetime) -> Iterator[Rest]:
        taken_at = now + timedelta(minutes=MINUTES["round"])
        tape, person = Tape(self.rng, slip_share=0.0), self.demo.members[scene.who]
        height_check_record(
            actor=person_at(person, taken_at),
            record_id=new_id(),
            vehicle=vehicle,
            taken_at=taken_at,
            readings=[
                {"corner": corner, "height_mm": Decimal(tape.read(simulated, corner))}
                for corner in CORNER_NAMES
                for _ in range(READINGS)
            ],
            loading=scene.loading,
            odometer_km=Decimal(scene.odometer_km),
            instrument=None if person.operator_id else self.demo.tape,
            note=scene.note,
        )
        yield Rest(taken_at)

    def _answer(self, scene: Answer, at: datetime) -> Rest:
        """Each open alert of the vehicle to which nobody has said anything."""
        open_alerts = DriftAlert.objects.filter(
            vehicle=self.vehicle, state=DriftAlert.State.OPEN, acknowledged_at__isnull=True
        )
        actor = person_at(self.demo.members[scene.who], at)
        for alert_id in open_alerts.order_by("opened_at", "id").values_list("pk", flat=True):
            alert_acknowledge(actor=actor, record_id=new_id(), alert_id=alert_id, note=scene.note)
        return Rest(at)

    def _arrive(self, scene: Scene, at: datetime) -> Vehicle:
        """Seen for the first time: the vehicle is recorded with its tyres."""
        story, model = self.story, MODELS[self.story.model]
        person = self.demo.members[scene.who]
        vehicle = services.vehicle_add(
            actor=person_at(person, at),
            record_id=new_id(),
            vin=with_check_digit(f"{UNUSED_MAKER}{model.vds}0{_year_code(story.model_year)}T{story.serial}"),
            registration=story.registration,
            vehicle_model=self.demo.models[story.model].pk,
            operator=self.demo.operators[story.operator].pk,
            model_year=story.model_year,
        )
        services.fitment_record(
            actor=person_at(person, at + timedelta(minutes=4)),
            record_id=new_id(),
            vehicle=vehicle,
            fitted_on=at.date(),
            tyres=dict.fromkeys(CORNER_NAMES, model.tyre),
        )
        return vehicle


def drawn_vehicle(story: Story, rng: np.random.Generator) -> SimulatedVehicle:
    """The vehicle of a story as it arrives for the first time."""
    specification: dict[str, Any] = dict(MODELS[story.model].specification)
    errors = np.array([story.errors_mm.get(corner, 0.0) for corner in CORNER_NAMES])
    where, fault = story.faulty or ("", HEALTHY)
    a, b, c, d = (fault if corner == where else HEALTHY for corner in CORNER_NAMES)
    truth = draw_truth(specification, errors, (a, b, c, d), rng)
    simulated = SimulatedVehicle(truth, tuple(specification.get("controlled_corners", CORNER_NAMES)), rng)
    simulated.drifts_mm_per_year.update(story.drifts_mm_per_year)
    simulated.leaks_mm_per_h.update(story.leaks_mm_per_h)
    return simulated


def _year_code(model_year: int) -> str:
    """Position 10 of a VIN for 2010 to 2039 (ISO 3779, table of year codes)."""
    return "ABCDEFGHJKLMNPRSTVWXY123456789"[model_year - 2010]

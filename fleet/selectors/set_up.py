"""What a workshop has of what its first job needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple
from uuid import UUID

from django.db.models import Exists, OuterRef, Q

from fleet.actor import Actor
from fleet.days import local_day
from fleet.models import (
    Bay,
    Fitment,
    Membership,
    Operator,
    Role,
    Specification,
    Tablet,
    Vehicle,
    VehicleModel,
    Workshop,
)

from .instruments import instruments


class Jobs(NamedTuple):
    """How many jobs there are, and how many are signed off."""

    opened: int
    signed_off: int


JobCounter = Callable[[Actor], Jobs]
_job_counters: list[JobCounter] = []


def register_job_counter(function: JobCounter) -> None:
    """Say who knows of jobs."""
    _job_counters[:] = [function]


@dataclass(frozen=True, slots=True)
class SetUp:
    """What is there. A vehicle model alone is no more than a name: `model_without_specification` names one such."""

    has_address: bool
    time_zone: str
    may_sign: int
    operators: int
    vehicle_models: int
    specified_models: int
    model_without_specification: UUID | None
    instruments_in_use: int
    instruments_overdue: int
    bays: int
    vehicles: int
    first_vehicle: str | None
    """VIN of one without tyres, else of the latest."""
    vehicles_with_tyres: int
    tablets: int
    jobs: Jobs


def set_up_of(actor: Actor) -> SetUp:
    workshop, today = Workshop.objects.get(), local_day(actor.now)
    revisions = Specification.objects.filter(
        vehicle_model=OuterRef("pk"), effective_from__lte=today, recorded_at__lte=actor.now
    )
    specified = VehicleModel.objects.filter(Exists(revisions))
    bare_model = VehicleModel.objects.exclude(Exists(revisions)).order_by("-created_at").first()
    fitted = Fitment.objects.filter(vehicle=OuterRef("pk"))
    vehicles = Vehicle.objects.annotate(has_tyres=Exists(fitted))
    first_vehicle = vehicles.order_by("has_tyres", "-created_at", "-pk").first()
    in_use, overdue = _instruments(today)
    return SetUp(
        has_address=bool(workshop.address.strip()),
        time_zone=workshop.time_zone,
        may_sign=_who_may_sign(),
        operators=Operator.objects.count(),
        vehicle_models=VehicleModel.objects.count(),
        specified_models=specified.count(),
        model_without_specification=bare_model.pk if bare_model else None,
        instruments_in_use=in_use,
        instruments_overdue=overdue,
        bays=Bay.objects.count(),
        vehicles=Vehicle.objects.count(),
        first_vehicle=first_vehicle.vin if first_vehicle else None,
        vehicles_with_tyres=vehicles.filter(has_tyres=True).count(),
        tablets=Tablet.objects.filter(revoked_at=None).count(),
        jobs=_job_counters[0](actor) if _job_counters else Jobs(0, 0),
    )


def _who_may_sign() -> int:
    """Active people with a PIN who work at vehicles."""
    roles = Q(roles__contains=[Role.TECHNICIAN]) | Q(roles__contains=[Role.MANAGER])
    return Membership.objects.filter(roles, is_active=True).exclude(pin="").count()


def _instruments(today: date) -> tuple[int, int]:
    in_use = [each for each in instruments() if not each.is_withdrawn]
    overdue = [each for each in in_use if each.latest_calibration.due_on < today]
    return len(in_use) - len(overdue), len(overdue)

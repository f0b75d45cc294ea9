"""Which specification is in force when."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet

from fleet.days import local_day
from fleet.models import Specification


def in_force_first(at: datetime) -> QuerySet[Specification]:
    """Revisions of any model that had come into force by the day of `at`: of each model the first is in force."""
    return Specification.objects.filter(effective_from__lte=local_day(at), recorded_at__lte=at).order_by(
        "-effective_from", "-revision"
    )


def specification_in_force(vehicle_model_id: UUID, at: datetime) -> Specification | None:
    """The revision with the latest `effective_from` up to the day of `at`, among those recorded by then."""
    return in_force_first(at).filter(vehicle_model_id=vehicle_model_id).first()

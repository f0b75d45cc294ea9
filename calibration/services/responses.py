"""What is learned of responses: brought up to date after each job, and frozen into each job when it opens."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import TYPE_CHECKING

from fleet.ids import new_id

from ..metrology.model_response import axle_draws
from ..metrology.provenance import PROVENANCE
from ..metrology.response import prior_from_specification
from ..metrology.vehicle_response import as_state
from ..models import JobPrior, ResponsePosterior
from ..rules.known_before import known_before_document
from ..selectors.responses import Taught, known_of, taught_by_vehicle
from ..selectors.specifications import count_base, pure_specification

if TYPE_CHECKING:
    from .step import JobStep


def posterior_renew(*, vehicle_id: uuid.UUID, now: datetime) -> ResponsePosterior | None:
    """Make anew what a vehicle's closed jobs taught, from their facts; no row where they taught nothing.

    Called after the vehicle's ledger was appended to: the book's lock keeps two of them apart.
    """
    taught = taught_by_vehicle(vehicle_id)
    if taught is None or taught.prior.source == "specification":
        ResponsePosterior.objects.filter(vehicle=vehicle_id).delete()
        return None
    row, _ = ResponsePosterior.objects.update_or_create(
        vehicle_id=vehicle_id, defaults={"known_at": now, **_columns(taught)}
    )
    return row


def _columns(taught: Taught) -> dict[str, object]:
    pure = pure_specification(taught.specification.content)
    draws = axle_draws(pure, prior_from_specification(pure), as_state(taught.prior))
    return {
        "specification": taught.specification,
        "count_base": count_base(taught.specification.content),
        "mean": taught.prior.mean.tolist(),
        "covariance": taught.prior.covariance.tolist(),
        "draws": {axle: [draw.estimate, draw.variance, draw.between_factor] for axle, draw in draws.items()},
        "jobs": [str(job) for job in taught.jobs],
        "computed_with": PROVENANCE,
    }


def prior_freeze(step: JobStep, own: Taught | None) -> None:
    """Keep what is known of the responses now as the job's prior; a specification's alone needs no row."""
    job = step.job
    if job.specification is None:
        return
    known = known_of(job.vehicle_id, job.specification, own)
    if known.model.source == "specification" and known.vehicle is None and not step.case.priors:
        return
    jobs = [str(each) for each in own.jobs] if own is not None and known.vehicle is not None else []
    row = JobPrior(
        id=new_id(), **step.common(), known=known_before_document(known), jobs=jobs, computed_with=PROVENANCE
    )
    step.add(row, "priors")

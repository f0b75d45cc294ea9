"""What was learned of vehicles' responses: kept for later visits, and what a job took for known when it opened."""

from __future__ import annotations

from django.db import models

from fleet.models import Specification, TenantModel, Vehicle

from .job import JobRecordModel


class ResponsePosterior(TenantModel):
    """What a vehicle's closed jobs have taught of its responses. Derived: made again from the jobs at any time.

    `mean` in mm per count and `covariance` follow the four corners' order and begin with the prior of `specification`;
    `draws` is what the vehicle says of its model, by axle. Only set-points of the same `count_base` count alike.
    """

    kept_by_ledger = False

    vehicle = models.OneToOneField(
        Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="response_posterior"
    )
    specification = models.ForeignKey(Specification, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    count_base = models.JSONField()
    mean = models.JSONField()
    covariance = models.JSONField()
    draws = models.JSONField()
    jobs = models.JSONField()
    """Of the jobs that count, their ids in order."""
    known_at = models.DateTimeField()
    """Whatever was recorded by then is in it."""
    computed_with = models.JSONField()


class JobPrior(JobRecordModel):
    """What was known of a vehicle's responses when its job opened, or was refiled to it: for ever the job's prior.

    A job without one began with its specification's. `known` holds the model's prior and, where there is one, the
    vehicle's own; `jobs` are those it was learned from.
    """

    known = models.JSONField()
    jobs = models.JSONField()
    computed_with = models.JSONField()

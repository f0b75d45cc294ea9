"""How many jobs a workshop has."""

from __future__ import annotations

from django.db.models import Count, Q

from fleet.actor import Actor
from fleet.selectors.set_up import Jobs

from ..models import Job
from .jobs import visible_jobs


def job_counts(actor: Actor) -> Jobs:
    signed_off = Count("pk", filter=Q(state=Job.State.SIGNED_OFF))
    return Jobs(**visible_jobs(actor).aggregate(opened=Count("pk"), signed_off=signed_off))

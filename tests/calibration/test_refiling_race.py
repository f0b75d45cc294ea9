"""A fact that arrives while a manager moves its job to another vehicle: it waits, and finds the job there."""

from __future__ import annotations

import threading
import uuid
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from calibration.models import Job, Pause
from calibration.selectors.jobs import visible_jobs
from calibration.services import jobs, step
from deploy.embedded.process import wait_until
from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.ids import new_id
from fleet.models import Vehicle
from fleet.permissions import Permission
from fleet.tenancy import in_workshop
from tests.calibration.bench import Bench
from tests.factories import Site, make_site

PATIENCE_S = 60.0
WAITS_FOR_A_LOCK = "SELECT wait_event_type = 'Lock' FROM pg_stat_activity WHERE pid = %s"


@pytest.fixture
def site(committed_db: None) -> Site:
    return make_site()


@pytest.fixture
def bench(site: Site) -> Bench:
    with in_workshop(site.workshop.pk):
        return Bench.open(site)


class Fact(threading.Thread):
    """A technician who pauses the job, on a connection of their own."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.connection_pid = 0
        self.has_begun = threading.Event()
        self.error: Exception | None = None

    def run(self) -> None:
        now = timezone.now()
        actor = self.bench.technician.actor(now)
        try:
            with in_workshop(actor.workshop_id), connection.cursor() as cursor:
                self.connection_pid = cursor.execute("SELECT pg_backend_pid()").fetchone()[0]
                self.has_begun.set()
                jobs.job_pause(actor=actor, record_id=new_id(), job_id=self.bench.job.pk, reason="parts awaited")
        except NotFound as error:
            self.error = error
        finally:
            connection.close()

    def waits(self) -> bool:
        with connection.cursor() as cursor:
            cursor.execute(WAITS_FOR_A_LOCK, [self.connection_pid])
            return bool(cursor.fetchone()[0])


def refiled_during(bench: Bench, other: Vehicle) -> Fact:
    """Move the job; a fact that comes before this is committed waits for it."""
    manager = bench.site.manager.actor(timezone.now() - timedelta(seconds=1))
    fact = Fact(bench)
    with in_workshop(bench.site.workshop.pk):
        jobs.job_refile(actor=manager, record_id=new_id(), job_id=bench.job.pk, vehicle=other, reason="wrong label")
        fact.start()
        assert fact.has_begun.wait(PATIENCE_S)
        assert wait_until(fact.waits, PATIENCE_S), "the fact did not wait for the refiling"
    fact.join(PATIENCE_S)
    assert not fact.is_alive()
    return fact


def test_a_fact_that_waited_for_a_refiling_is_recorded_with_the_other_vehicle(site: Site, bench: Bench) -> None:
    other = site.vehicle()
    assert refiled_during(bench, other).error is None
    with in_workshop(site.workshop.pk):
        assert Pause.objects.get(job=bench.job.pk).job.vehicle_id == other.pk


def test_locked_together_with_its_vehicle_the_job_would_not_be_found(
    site: Site, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Negative control: the database looks at the locked row again, with the vehicle of before."""
    monkeypatch.setattr(step, "locked_job", locked_together)
    assert isinstance(refiled_during(bench, site.vehicle()).error, NotFound)
    with in_workshop(site.workshop.pk):
        assert not Pause.objects.filter(job=bench.job.pk).exists()


def locked_together(actor: Actor, job_id: uuid.UUID, _permission: Permission) -> Job:
    job = visible_jobs(actor).select_for_update(no_key=True, of=("self",)).filter(pk=job_id).first()
    if job is None:
        raise NotFound
    return job

"""A workshop in the middle of its work, seen by people in browsers."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from datetime import timedelta

import pytest
from django.core.cache import cache
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoDbBlocker

from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem, Vehicle
from fleet.tenancy import in_workshop
from reports.models import DriftAlert, Export, Import, Webhook
from reports.services.certificates import certificate_prepare
from reports.services.exports import export_make, export_request
from reports.services.import_running import import_go_on
from reports.services.imports import import_begin, import_file_keep
from reports.services.webhook_deliveries import event_tell
from reports.services.webhooks import webhook_add
from tests.factories import Person, Site, make_site
from tests.fleet.signin.browsers import browser_of
from tests.reports import jobs
from tests.reports.imports import check_row, csv_of


@pytest.fixture
def site(request: pytest.FixtureRequest, standing_sites: tuple[Site, Site], db: None, no_hints: None) -> Site:
    """That of the work, where a test asks for any; otherwise one in which there is nothing."""
    asks_for_work = "at_work" in request.fixturenames
    return request.getfixturevalue("at_work").site if asks_for_work else deepcopy(standing_sites[0])


@dataclass(frozen=True)
class AtWork:
    """An adjusted vehicle with its certificate no. 1 and an alert, another one in the bay, and work that was parked."""

    site: Site
    done: jobs.Bench
    open: jobs.Bench
    parked: OutboxItem
    alert: DriftAlert
    webhook: Webhook
    """With a message that waits."""
    export: Export
    """Whose file is made."""
    trial: Import
    """Of a file with a row that is right and one that is not."""

    @property
    def contact(self) -> Person:
        """Somebody of the operator whose vehicle has its certificate."""
        return self.site.person("operator_contact", operator=self.done.vehicle.operator_id)

    @property
    def columns_path(self) -> str:
        return f"/imports/files/{self.trial.file_id}/checks/"

    def pages(self) -> dict[str, str]:
        """Every page with who may open it: everybody who reads, a contact too, or a manager."""
        return {
            "/": "reader",
            "/vehicles/": "contact",
            f"/vehicles/{self.done.vehicle.vin}/": "contact",
            f"/vehicles/{self.open.vehicle.vin}/": "reader",
            f"/jobs/{self.done.job_id}/": "contact",
            f"/jobs/{self.open.job_id}/": "reader",
            f"/vehicles/{self.done.vehicle.vin}/worksheet/": "reader",
            f"/jobs/{self.open.job_id}/worksheet/": "reader",
            "/worksheet/": "reader",
            "/alerts/": "contact",
            "/due/": "contact",
            f"/alerts/{self.alert.pk}/": "contact",
            "/certificates/": "contact",
            "/certificates/1/": "contact",
            "/certificates/1/pdf/": "contact",
            f"/operators/{self.done.vehicle.operator_id}/summary/": "contact",
            f"/operators/{self.done.vehicle.operator_id}/summary/pdf/": "contact",
            "/parked-work/": "manager",
            "/exports/": "manager",
            "/archives/": "manager",
            "/webhooks/": "manager",
            "/webhooks/new/": "manager",
            f"/webhooks/{self.webhook.pk}/": "manager",
            f"/webhooks/{self.webhook.pk}/rotation/": "manager",
            "/imports/": "manager",
            "/imports/new/": "manager",
            f"/imports/{self.trial.pk}/": "manager",
            f"/vehicle-models/{self.done.vehicle.vehicle_model_id}/response/": "reader",
        }


def certified(site: Site, bench: jobs.Bench) -> None:
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)


def parked_in(site: Site, **fields: object) -> OutboxItem:
    now = timezone.now()
    values = {"kind": "reports.certificate_email", "payload": {}, "error": "ConnectionRefusedError: no server there"}
    with in_workshop(site.workshop.pk):
        return OutboxItem.objects.create(
            **{**values, **fields}, state="parked", created_at=now, due_at=now, finished_at=now, attempts=5, id=new_id()
        )


def alert_of(site: Site, vehicle: Vehicle) -> DriftAlert:
    """That the front left corner is 16 mm too low; nothing but the alert itself is on record."""
    now = timezone.now()
    details = {"level_mm": -15.8, "last_mm": -16.0, "tolerance_mm": 6.0, "measured_day": 9826.5}
    with in_workshop(site.workshop.pk):
        return DriftAlert.objects.create(
            vehicle=vehicle, kind="out_of_tolerance", place="FL", details=details, opened_at=now, updated_at=now
        )


def webhook_of(site: Site) -> Webhook:
    with in_workshop(site.workshop.pk):
        webhook, _secret = webhook_add(
            actor=site.manager.actor(),
            record_id=new_id(),
            url="https://hooks.example.com/levelbook",
            events=["job.ended", "alert.opened"],
        )
        event_tell(Actor.system(site.workshop.pk, timezone.now()), "job.ended", new_id(), {"job": "1"})
    return webhook


def export_of(site: Site) -> Export:
    with in_workshop(site.workshop.pk):
        export = export_request(actor=site.manager.actor(), record_id=new_id())
        export_make(actor=Actor.system(site.workshop.pk, timezone.now()), export_id=export.pk)
        return Export.objects.get(pk=export.pk)


def trial_of(site: Site, vehicle: Vehicle) -> Import:
    content = io.BytesIO(csv_of([check_row(vehicle.vin), check_row(vehicle.vin, "yesterday")]))
    with in_workshop(site.workshop.pk):
        actor = site.manager.actor()
        file = import_file_keep(actor=actor, name="checks.csv", content=content)
        run = import_begin(actor=actor, record_id=new_id(), file=file, kind="checks", columns={}, dry_run=True)
        import_go_on(actor=Actor.system(site.workshop.pk, timezone.now()), import_id=run.pk)
    return run


def at_work_in(site: Site) -> AtWork:
    done = jobs.adjusted(site)
    site.fitment(done.vehicle)
    certified(site, done)
    bench = jobs.Bench.at(site)
    bench.now = done.now + timedelta(hours=1)
    bench.receive()
    bench.check_readiness()
    bench.measure(jobs.LOW_FRONT_LEFT)
    bench.propose()
    parked = parked_in(site, payload={"job": str(done.job_id)})
    trial = trial_of(site, done.vehicle)
    webhook, export = webhook_of(site), export_of(site)
    return AtWork(site, done, bench, parked, alert_of(site, done.vehicle), webhook, export, trial)


@pytest.fixture(autouse=True)
def _no_throttle_history() -> None:
    """All browsers of one test process sign in from one address."""
    cache.clear()


@pytest.fixture(scope="module")
def standing_at_work(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[AtWork]:
    """Stays for the tests of a module; what each does to it is rolled back. Then none of its work is due any more."""
    with django_db_blocker.unblock(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(outbox, "hint", lambda _workshop, _item: None)
        at_work = at_work_in(make_site())
    yield at_work
    with django_db_blocker.unblock(), in_workshop(at_work.site.workshop.pk):
        OutboxItem.objects.update(state="done", finished_at=timezone.now())


@pytest.fixture
def at_work(standing_at_work: AtWork, db: None, no_hints: None) -> AtWork:
    return deepcopy(standing_at_work)


@pytest.fixture
def manager(site: Site) -> Client:
    return browser_of(site.manager)


@pytest.fixture
def another(site: Site) -> Callable[..., Client]:
    """The browser of somebody else with these roles."""

    def browser(*roles: str, **fields: object) -> Client:
        return browser_of(site.person(*roles, **fields))

    return browser

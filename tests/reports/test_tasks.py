"""Background work: performed once, repeated without harm, parked and shown where it cannot be done."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.utils import timezone

from fleet import outbox, tasks
from fleet.actor import Actor
from fleet.errors import Conflict, Forbidden, NotFound
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Certificate
from reports.services.certificates import certificate_replace
from reports.services.daily_round import round_plan
from reports.services.parked_work import parked_work_retry
from tests.factories import Site

from . import jobs

Items = Callable[..., list[OutboxItem]]
Perform = Callable[[Site], list[str]]

MISSING = str(uuid.UUID("01999999-0000-7000-8000-000000000000"))
LONG_AGO = "2020-01-01T06:00:00+00:00"
EVERY_KIND: dict[str, dict[str, Any]] = {
    "calibration.job_signed_off": {"job": MISSING},
    "calibration.job_ended": {"job": MISSING},
    "calibration.job_refiled": {"job": MISSING},
    "calibration.record_after_close": {"job": MISSING},
    "calibration.approval_requested": {"approval": MISSING},
    "calibration.drift_changed": {"vehicle": MISSING},
    "fleet.odometer_recorded": {"vehicle": MISSING},
    "fleet.service_event_recorded": {"vehicle": MISSING},
    "fleet.specification_in_force": {"vehicle_model": MISSING},
    "fleet.time_zone_changed": {},
    "fleet.vehicle_model_changed": {"vehicle": MISSING},
    "reports.drift_sweep": {"after": MISSING},
    "fleet.invitation_email": {"invitation": MISSING},
    "fleet.password_link_email": {"membership": MISSING, "number": 1},
    "reports.certificate_issue": {"certificate": MISSING},
    "reports.certificate_issued": {"certificate": MISSING},
    "reports.certificate_email": {"certificate": MISSING, "operator": MISSING},
    "reports.approval_email": {"approval": MISSING, "membership": MISSING},
    "reports.late_record_email": {"job": MISSING, "membership": MISSING},
    "reports.alerts_email": {"since": LONG_AGO, "until": LONG_AGO, "membership": MISSING},
    "reports.checks_email": {"noted_at": LONG_AGO, "membership": MISSING},
    "reports.instruments_email": {"noted_at": LONG_AGO, "membership": MISSING},
    "reports.webhook_attempt": {"delivery": MISSING, "series": 1},
    "reports.export_make": {"export": MISSING},
    "reports.export_clear": {"export": MISSING},
    "reports.archive_take_in": {"archive": MISSING},
    "reports.vehicle_taken_in": {"vehicle": MISSING},
    "reports.daily_round": {"since": LONG_AGO},
    "reports.old_deliveries": {"before": LONG_AGO},
    "reports.checkpoint_email": {"size": 1, "membership": MISSING},
    "reports.import_go_on": {"import": MISSING},
    "reports.import_evaluate": {"import": MISSING, "vehicle": MISSING},
    "reports.import_file_remove": {"file": MISSING},
    "fleet.checkpoint": {},
    "fleet.workshop_founded": {},
}


def asked(site: Site, kind: str, **payload: Any) -> OutboxItem:
    with in_workshop(site.workshop.pk):
        return outbox.append(Actor.system(site.workshop.pk, timezone.now()), kind, payload)


def again(site: Site, item: OutboxItem) -> OutboxItem:
    with in_workshop(site.workshop.pk):
        return OutboxItem.objects.get(pk=item.pk)


def let_time_pass(site: Site, item: OutboxItem) -> None:
    """As if the pause after a failure, or the lease of a lost worker, were over."""
    with in_workshop(site.workshop.pk):
        past = timezone.now() - timedelta(seconds=1)
        OutboxItem.objects.filter(pk=item.pk).update(due_at=past, leased_until=None)


@pytest.fixture
def poison(site: Site, monkeypatch: pytest.MonkeyPatch) -> OutboxItem:
    """An item whose work always fails."""

    def fail(_actor: Actor, _payload: dict[str, Any]) -> None:
        raise ValueError("bad row 7")

    monkeypatch.setitem(outbox.handlers(), "test.poison", fail)
    return asked(site, "test.poison", job=MISSING, secret="not to be shown")  # noqa: S106


@pytest.fixture
def planned(site: Site) -> None:
    """The next daily round is planned, as it is in every workshop."""
    with in_workshop(site.workshop.pk):
        round_plan(actor=Actor.system(site.workshop.pk, timezone.now()), since=timezone.now())


def test_every_kind_of_the_reports_has_its_case_here() -> None:
    assert EVERY_KIND.keys() == outbox.handlers().keys()


@pytest.mark.parametrize("kind", sorted(EVERY_KIND.keys() - {"fleet.checkpoint"}))  # it is about no row
def test_item_whose_row_is_gone_is_done_and_makes_nothing(site: Site, planned: None, kind: str) -> None:
    item = asked(site, kind, **EVERY_KIND[kind])
    with in_workshop(site.workshop.pk):
        before = OutboxItem.objects.count(), LedgerEntry.objects.count(), len(mail.outbox)
    assert outbox.perform(site.workshop.pk, item.pk)
    assert again(site, item).state == "done"
    with in_workshop(site.workshop.pk):
        assert (OutboxItem.objects.count(), LedgerEntry.objects.count(), len(mail.outbox)) == before
        assert not Certificate.objects.exists()


def test_item_that_is_gone_or_done_is_not_performed(site: Site, items: Items) -> None:
    jobs.left_alone(site)
    [item] = items(site, "calibration.job_signed_off")
    assert outbox.perform(site.workshop.pk, item.pk)
    assert not outbox.perform(site.workshop.pk, item.pk)
    assert not outbox.perform(site.workshop.pk, new_id())


def test_sign_off_leads_to_certificate_and_its_email(site: Site, perform_all: Perform) -> None:
    perform_all(site)  # the invitations of the site's people
    bench = jobs.left_alone(site)
    assert [kind for kind in perform_all(site) if kind != "calibration.drift_changed"] == [
        "calibration.job_signed_off",
        "reports.certificate_issued",
        "reports.certificate_email",
    ]
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.get(job=bench.job_id).state == "issued"


def test_handlers_run_twice_make_one_certificate_one_ledger_entry_and_one_email_item(
    site: Site, items: Items, perform_all: Perform
) -> None:
    jobs.left_alone(site)
    perform_all(site)
    for kind in ("calibration.job_signed_off", "reports.certificate_issued"):
        for item in items(site, kind):
            with in_workshop(site.workshop.pk):
                outbox.handlers()[kind](Actor.system(site.workshop.pk, timezone.now()), item.payload)
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.count() == 1
        assert LedgerEntry.objects.filter(kind="certificate_issued").count() == 1
    # Spreading is once by its item's completion; asked twice, it asks twice and the Message-ID is the same.
    assert len({str(item.payload) for item in items(site, "reports.certificate_email")}) == 1


def test_replacement_is_issued_once_by_its_item(site: Site, items: Items, perform_all: Perform) -> None:
    jobs.left_alone(site)
    perform_all(site)
    with in_workshop(site.workshop.pk):
        certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
    perform_all(site)
    [item] = items(site, "reports.certificate_issue")
    with in_workshop(site.workshop.pk):
        outbox.handlers()[item.kind](Actor.system(site.workshop.pk, timezone.now()), item.payload)
        states = list(Certificate.objects.order_by("number").values_list("number", "state"))
    assert states == [(1, "replaced"), (2, "issued")]
    assert len(items(site, "reports.certificate_issued")) == 2


def test_poison_is_parked_after_five_attempts_with_its_error(site: Site, poison: OutboxItem) -> None:
    for attempt in range(1, outbox.MOST_ATTEMPTS + 1):
        assert again(site, poison).state == "waiting"
        assert not outbox.perform(site.workshop.pk, poison.pk)
        assert again(site, poison).attempts == attempt
        let_time_pass(site, poison)
    parked = again(site, poison)
    assert (parked.state, parked.error) == ("parked", "ValueError: bad row 7")
    assert not outbox.perform(site.workshop.pk, poison.pk)
    assert again(site, poison).attempts == outbox.MOST_ATTEMPTS


def test_failed_item_waits_longer_after_each_attempt(site: Site, poison: OutboxItem) -> None:
    pauses = []
    for _ in range(3):
        before = timezone.now()
        outbox.perform(site.workshop.pk, poison.pk)
        pauses.append(again(site, poison).due_at - before)
        let_time_pass(site, poison)
    assert pauses == sorted(pauses)
    assert pauses[0] > timedelta(seconds=1)


def test_item_whose_workers_were_lost_in_every_attempt_is_parked(site: Site, poison: OutboxItem) -> None:
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(pk=poison.pk).update(attempts=outbox.MOST_ATTEMPTS)
    assert not outbox.perform(site.workshop.pk, poison.pk)
    parked = again(site, poison)
    assert (parked.state, parked.error) == ("parked", "the worker was lost in each attempt")


def test_leased_item_is_left_to_its_worker_until_the_lease_is_over(site: Site, items: Items) -> None:
    jobs.left_alone(site)
    [item] = items(site, "calibration.job_signed_off")
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(pk=item.pk).update(leased_until=timezone.now() + outbox.LEASE)
    assert not outbox.perform(site.workshop.pk, item.pk)
    let_time_pass(site, item)
    assert outbox.perform(site.workshop.pk, item.pk)


class TestRetry:
    @pytest.fixture
    def parked(self, site: Site, poison: OutboxItem) -> OutboxItem:
        with in_workshop(site.workshop.pk):
            OutboxItem.objects.filter(pk=poison.pk).update(
                state="parked", attempts=5, error="ValueError: bad row 7", finished_at=timezone.now()
            )
        return again(site, poison)

    def test_manager_puts_it_back_with_all_attempts(self, site: Site, parked: OutboxItem) -> None:
        with in_workshop(site.workshop.pk):
            parked_work_retry(actor=site.manager.actor(), item_id=parked.pk)
        item = again(site, parked)
        assert (item.state, item.attempts, item.finished_at) == ("waiting", 0, None)

    def test_once_more_changes_nothing(self, site: Site, parked: OutboxItem) -> None:
        with in_workshop(site.workshop.pk):
            parked_work_retry(actor=site.manager.actor(), item_id=parked.pk)
            due_at = again(site, parked).due_at
            parked_work_retry(actor=site.manager.actor(), item_id=parked.pk)
        assert again(site, parked).due_at == due_at

    def test_technician_may_not(self, site: Site, parked: OutboxItem) -> None:
        with in_workshop(site.workshop.pk), pytest.raises(Forbidden):
            parked_work_retry(actor=site.technician.actor(), item_id=parked.pk)

    def test_what_is_done_or_gone_is_refused(self, site: Site, parked: OutboxItem) -> None:
        with in_workshop(site.workshop.pk):
            with pytest.raises(NotFound):
                parked_work_retry(actor=site.manager.actor(), item_id=new_id())
            OutboxItem.objects.filter(pk=parked.pk).update(state="done")
            with pytest.raises(Conflict):
                parked_work_retry(actor=site.manager.actor(), item_id=parked.pk)


def test_sweep_finds_what_the_broker_lost(committed_db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.factories import make_site

    hinted: list[tuple[uuid.UUID, uuid.UUID]] = []
    monkeypatch.setattr(outbox, "hint", lambda workshop, item: hinted.append((workshop, item)))
    site, of_all = make_site(), outbox.due
    jobs.left_alone(site)
    hinted.clear()  # the broker is wiped
    # A sweep takes up so many at a time, and other tests have left work.
    monkeypatch.setattr(outbox, "due", lambda: [each for each in of_all(100_000) if each[0] == site.workshop.pk])
    tasks.sweep_outbox()
    for workshop_id, item_id in tuple(hinted):
        tasks.perform_outbox_item(str(workshop_id), str(item_id))
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.get().number == 1
        assert not OutboxItem.objects.filter(kind="calibration.job_signed_off", state="waiting").exists()


def test_sweep_leaves_out_what_is_leased_done_parked_or_not_yet_due(committed_db: None, no_hints: None) -> None:
    from tests.factories import make_site

    site = make_site()
    now = timezone.now()
    later = now + timedelta(hours=1)
    changes: dict[str, dict[str, Any]] = {
        "due": {},
        "later": {"due_at": later},
        "leased": {"leased_until": later},
        "lapsed": {"leased_until": now - timedelta(seconds=1)},
        "done": {"state": "done"},
        "parked": {"state": "parked"},
    }
    made = {}
    for name, change in changes.items():
        made[name] = asked(site, "calibration.job_ended", job=MISSING)
        with in_workshop(site.workshop.pk):
            OutboxItem.objects.filter(pk=made[name].pk).update(**{"due_at": now} | change)
    found = {item for workshop, item in outbox.due(100_000) if workshop == site.workshop.pk}
    assert {name for name, item in made.items() if item.pk in found} == {"due", "lapsed"}

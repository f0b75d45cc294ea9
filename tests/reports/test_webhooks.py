"""Webhooks: who is told of what, how it is signed, what becomes of it when the receiver is down, gone or hostile."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone
from standardwebhooks import Webhook as Verifier
from standardwebhooks import WebhookVerificationError

from deploy.outbound import webhook_policy
from fleet import outbox
from fleet.actor import Actor
from fleet.errors import Conflict, Forbidden, Invalid
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Webhook, WebhookAttempt, WebhookDelivery, WebhookSecret
from reports.services.daily_round import round_go
from reports.services.events import alert_tell
from reports.services.webhook_deliveries import (
    PAUSES,
    delivery_replay,
    event_tell,
    old_deliveries_clear,
    signed_headers,
)
from reports.services.webhooks import webhook_add, webhook_end, webhook_rotate_secret, webhook_update
from tests.factories import Site

from . import jobs
from .receiver import Received, Receiver, receiving

Perform = Callable[[Site], list[str]]
Items = Callable[..., list[OutboxItem]]
KIND = "reports.webhook_attempt"
PUBLISHED: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "standard_webhooks.json").read_text(encoding="utf-8")
)["vector"]


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    with receiving() as made:
        settings.WEBHOOK_POLICY = webhook_policy(networks=["127.0.0.0/8"], ports=[str(made.port)], allows_http=True)
        yield made


@pytest.fixture
def hook(site: Site, receiver: Receiver, perform_all: Perform) -> tuple[Webhook, str]:
    """Told of everything, in a workshop that has nothing left to do."""
    perform_all(site)
    with in_workshop(site.workshop.pk):
        return webhook_add(
            actor=site.manager.actor(), record_id=new_id(), url=receiver.url, events=list(Webhook.Event.values)
        )


def told(site: Site, event: str = "job.ended", *, record: Any = None, at: datetime | None = None) -> None:
    with in_workshop(site.workshop.pk):
        event_tell(Actor.system(site.workshop.pk, at or timezone.now()), event, record or new_id(), {"job": "1"})


def deliveries(site: Site) -> list[WebhookDelivery]:
    with in_workshop(site.workshop.pk):
        return list(WebhookDelivery.objects.order_by("created_at", "id"))


def attempts(site: Site) -> list[WebhookAttempt]:
    with in_workshop(site.workshop.pk):
        return list(WebhookAttempt.objects.order_by("made_at", "id"))


def again(site: Site, hook: tuple[Webhook, str]) -> Webhook:
    with in_workshop(site.workshop.pk):
        return Webhook.objects.get(pk=hook[0].pk)


def is_signed(request: Received, secret: str) -> bool:
    try:
        Verifier(secret).verify(request.body, request.headers)
    except WebhookVerificationError:
        return False
    return True


def days_pass(site: Site, monkeypatch: pytest.MonkeyPatch, days: float) -> int:
    """Let simulated days pass, whatever becomes due performed at its time; gives how many items that were."""
    until = timezone.now() + timedelta(days=days)
    performed = 0
    while True:
        with in_workshop(site.workshop.pk):
            item = OutboxItem.objects.filter(kind=KIND, state="waiting", due_at__lte=until).order_by("due_at").first()
        if item is None:
            monkeypatch.setattr(timezone, "now", lambda: until)
            return performed
        at = max(item.due_at, timezone.now())
        monkeypatch.setattr(timezone, "now", lambda at=at: at)
        outbox.perform(site.workshop.pk, item.pk)
        performed += 1


class TestSignature:
    def test_the_published_example_is_signed_as_published(self) -> None:
        at = datetime.fromtimestamp(PUBLISHED["timestamp"], tz=timezone.now().tzinfo)
        headers = signed_headers(PUBLISHED["id"], PUBLISHED["body"], [PUBLISHED["secret"]], at)
        assert headers == {
            "webhook-id": PUBLISHED["id"],
            "webhook-timestamp": str(PUBLISHED["timestamp"]),
            "webhook-signature": PUBLISHED["signature"],
        }

    def test_the_zone_of_the_time_changes_nothing(self) -> None:
        from zoneinfo import ZoneInfo

        at = datetime.fromtimestamp(PUBLISHED["timestamp"], tz=ZoneInfo("Asia/Kathmandu"))
        assert (
            signed_headers(PUBLISHED["id"], PUBLISHED["body"], [PUBLISHED["secret"]], at)["webhook-signature"]
            == PUBLISHED["signature"]
        )

    def test_a_message_verifies_by_its_secret_and_by_no_other(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        told(site)
        perform_all(site)
        [request] = receiver.received
        assert is_signed(request, hook[1])
        assert not is_signed(request, PUBLISHED["secret"])
        altered = Received(request.path, request.headers, request.body.replace(b"job.ended", b"job.endet"))
        assert not is_signed(altered, hook[1])

    def test_a_secret_has_as_many_bytes_as_the_scheme_asks(self, hook: tuple[Webhook, str]) -> None:
        prefix, _, rest = hook[1].partition("_")
        assert prefix == "whsec"
        assert 24 <= len(base64.b64decode(rest)) <= 64

    def test_it_is_stored_encrypted_and_in_no_ledger(self, site: Site, hook: tuple[Webhook, str]) -> None:
        with in_workshop(site.workshop.pk):
            sealed = hook[0].secrets.get().sealed
            entry = LedgerEntry.objects.get(kind="webhook_added")
        assert hook[1] not in sealed
        assert "sealed" not in json.dumps(entry.payload)
        assert hook[0].url not in json.dumps(entry.payload)


class TestRotation:
    def test_both_sign_during_the_overlap_and_the_new_one_alone_afterwards(
        self,
        site: Site,
        hook: tuple[Webhook, str],
        receiver: Receiver,
        perform_all: Perform,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        with in_workshop(site.workshop.pk):
            _hook, new = webhook_rotate_secret(
                actor=site.manager.actor(), record_id=new_id(), webhook_id=hook[0].pk, overlap_hours=5
            )
        told(site)
        perform_all(site)
        [during] = receiver.received
        assert is_signed(during, new)
        assert is_signed(during, hook[1])
        signatures = during.headers["webhook-signature"].split(" ")
        assert len(signatures) == 2
        with in_workshop(site.workshop.pk):
            hook[0].secrets.filter(expires_at__isnull=False).update(expires_at=timezone.now())
        told(site)
        perform_all(site)
        assert is_signed(receiver.received[-1], new)
        assert not is_signed(receiver.received[-1], hook[1])

    def test_without_an_overlap_the_old_one_ends_at_once(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        with in_workshop(site.workshop.pk):
            webhook_rotate_secret(
                actor=site.manager.actor(), record_id=new_id(), webhook_id=hook[0].pk, overlap_hours=0
            )
        told(site)
        perform_all(site)
        assert not is_signed(receiver.received[0], hook[1])


class TestEvents:
    def test_a_job_tells_of_its_end_and_its_certificate_without_personal_data(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        bench = jobs.left_alone(site)
        perform_all(site)
        bodies = [json.loads(request.body) for request in receiver.received]
        assert [body["type"] for body in bodies] == ["job.signed_off", "certificate.issued"]
        assert {body["data"]["job"] for body in bodies} == {str(bench.job_id)}
        text = json.dumps(bodies)
        with in_workshop(site.workshop.pk):
            personal = [site.technician.membership.name, site.technician.email, bench.vehicle.operator.name]
        for each in (*personal, bench.vehicle.vin, bench.vehicle.registration):
            assert each not in text

    def test_a_job_that_ended_otherwise_says_so(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        jobs.ended(site)
        perform_all(site)
        types = [json.loads(each.body)["type"] for each in receiver.received]
        assert [each for each in types if each != "alert.opened"] == ["job.ended", "certificate.issued"]

    def test_alerts_tell_of_their_beginning_and_end(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        from reports.models import DriftAlert

        now = timezone.now()
        with in_workshop(site.workshop.pk):
            actor = Actor.system(site.workshop.pk, now)
            alert = DriftAlert.objects.create(
                vehicle=site.vehicle(), kind="overdue", place="", opened_at=now, updated_at=now, details={}
            )
            alert_tell(actor=actor, alert=alert)
            alert.state, alert.resolution, alert.resolved_at = "resolved", "checked", now
            alert_tell(actor=actor, alert=alert)
        perform_all(site)
        bodies = [json.loads(each.body) for each in receiver.received]
        assert [body["type"] for body in bodies] == ["alert.opened", "alert.resolved"]
        assert [body["data"]["resolution"] for body in bodies] == [None, "checked"]

    def test_only_what_was_asked_for_is_told(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        with in_workshop(site.workshop.pk):
            webhook_update(
                actor=site.manager.actor(),
                webhook_id=hook[0].pk,
                expected_versions=[1],
                changes={"events": ["alert.opened"]},
            )
        told(site, "job.ended")
        told(site, "alert.opened")
        perform_all(site)
        assert [json.loads(each.body)["type"] for each in receiver.received] == ["alert.opened"]

    def test_told_twice_of_the_same_it_is_one_message(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        record = new_id()
        for _ in range(3):
            told(site, record=record)
        perform_all(site)
        assert len(receiver.received) == len(deliveries(site)) == 1


class TestReceiverDown:
    def test_for_two_days_everything_arrives_once_it_is_back(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        receiver.statuses = [503]
        for _ in range(20):
            told(site)
        days_pass(site, monkeypatch, 2)
        assert {each.state for each in deliveries(site)} == {"waiting"}
        assert again(site, hook).failing_since is not None
        receiver.statuses = [204]
        before = len(receiver.received)
        days_pass(site, monkeypatch, 1)
        taken = [each.headers["webhook-id"] for each in receiver.received[before:]]
        assert sorted(taken) == sorted(each.message_id for each in deliveries(site))
        assert {each.state for each in deliveries(site)} == {"delivered"}
        assert again(site, hook).failing_since is None

    def test_for_ever_each_message_is_given_up_visibly_after_ten_attempts(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        receiver.statuses = [500]
        for _ in range(5):
            told(site)
        assert days_pass(site, monkeypatch, 30) == 5 * (len(PAUSES) + 1)
        assert [(each.state, each.attempts) for each in deliveries(site)] == [("failed", 10)] * 5
        assert len(receiver.received) == 50
        bodies = {(each.headers["webhook-id"], each.body) for each in receiver.received}
        assert len(bodies) == 5, "every attempt has the same id and bytes"

    def test_pauses_are_those_of_the_scheme(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        receiver.statuses = [500]
        told(site)
        days_pass(site, monkeypatch, 30)
        times = [each.made_at for each in attempts(site)]
        pauses = [(late - early).total_seconds() for early, late in pairwise(times)]
        assert pauses == [5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400]

    def test_a_receiver_that_asks_for_time_gets_it(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        receiver.statuses, receiver.headers = [429], {"Retry-After": "3600"}
        told(site)
        perform_all(site)
        [delivery], [attempt] = deliveries(site), attempts(site)
        assert delivery.next_attempt_at == attempt.made_at + timedelta(hours=1)

    def test_gone_disables_it_and_nothing_more_is_sent(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        receiver.statuses = [410]
        for _ in range(3):
            told(site)
        days_pass(site, monkeypatch, 30)
        told(site)
        days_pass(site, monkeypatch, 30)
        found = again(site, hook)
        assert (found.state, found.is_gone) == ("disabled", True)
        assert len(receiver.received) == 1
        assert {each.state for each in deliveries(site)} == {"stopped"}
        with in_workshop(site.workshop.pk):
            assert LedgerEntry.objects.filter(kind="webhook_disabled").count() == 1

    def test_it_can_be_made_active_again_and_what_was_stopped_replayed(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        receiver.statuses = [410, 204]
        told(site)
        perform_all(site)
        [delivery] = deliveries(site)
        with in_workshop(site.workshop.pk):
            manager = site.manager.actor()
            with pytest.raises(Conflict):
                delivery_replay(actor=manager, record_id=new_id(), webhook_id=hook[0].pk, delivery_id=delivery.pk)
            webhook_update(actor=manager, webhook_id=hook[0].pk, expected_versions=[2], changes={"active": True})
            delivery_replay(actor=manager, record_id=new_id(), webhook_id=hook[0].pk, delivery_id=delivery.pk)
        perform_all(site)
        assert [each.state for each in deliveries(site)] == ["delivered"]
        assert len({each.headers["webhook-id"] for each in receiver.received}) == 1

    def test_a_replay_takes_the_place_of_attempts_still_planned(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        receiver.statuses = [500, 500, 204]
        told(site)
        days_pass(site, monkeypatch, 0.001)
        [delivery] = deliveries(site)
        with in_workshop(site.workshop.pk):
            actor = site.manager.actor(timezone.now())
            delivery_replay(actor=actor, record_id=new_id(), webhook_id=hook[0].pk, delivery_id=delivery.pk)
        days_pass(site, monkeypatch, 30)
        assert len(receiver.received) == 3, "the third has come through, and the one planned before is void"


class TestEnded:
    def test_what_waits_is_sent_no_more(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, perform_all: Perform
    ) -> None:
        told(site)
        with in_workshop(site.workshop.pk):
            for _ in range(2):
                webhook_end(actor=site.manager.actor(), webhook_id=hook[0].pk)
            with pytest.raises(Conflict):
                webhook_rotate_secret(actor=site.manager.actor(), record_id=new_id(), webhook_id=hook[0].pk)
            assert LedgerEntry.objects.filter(kind="webhook_ended").count() == 1
        perform_all(site)
        assert not receiver.received
        assert [each.state for each in deliveries(site)] == ["stopped"]


class TestGuard:
    @pytest.mark.parametrize(
        ("url", "code"),
        [
            ("https://127.0.0.1/", "internal_address"),
            ("https://localhost/", "internal_address"),
            ("https://2130706433/", "internal_address"),
            ("https://0x7f.1/", "internal_address"),
            ("https://[::ffff:169.254.169.254]/", "internal_address"),
            ("https://10.1.2.3/", "internal_address"),
            ("http://hooks.example.com/", "https_required"),
            ("https://hooks.example.com:22/", "port_refused"),
            ("https://kim:pw@hooks.example.com/", "url_with_password"),
            ("no address", "url_form"),
        ],
    )
    def test_a_forbidden_address_is_refused_at_once(self, site: Site, url: str, code: str) -> None:
        with in_workshop(site.workshop.pk), pytest.raises(Invalid) as refused:
            webhook_add(actor=site.manager.actor(), record_id=new_id(), url=url, events=["job.ended"])
        [error] = refused.value.errors
        assert (error.pointer, error.code) == ("/url", code)
        assert str(error.detail)

    def test_a_name_that_leads_inside_later_is_not_asked_and_that_is_seen(
        self, site: Site, hook: tuple[Webhook, str], receiver: Receiver, settings: Any, perform_all: Perform
    ) -> None:
        settings.WEBHOOK_POLICY = webhook_policy(networks=[], ports=[str(receiver.port)], allows_http=True)
        told(site)
        perform_all(site)
        assert not receiver.received
        [attempt] = attempts(site)
        assert (attempt.outcome, attempt.status) == ("refused", None)
        assert [each.state for each in deliveries(site)] == ["waiting"]

    def test_only_managers_have_webhooks(self, site: Site) -> None:
        for person in (site.technician, site.person("auditor")):
            with in_workshop(site.workshop.pk), pytest.raises(Forbidden):
                webhook_add(
                    actor=person.actor(), record_id=new_id(), url="https://hooks.example.com/", events=["job.ended"]
                )


def test_a_poison_row_is_parked_after_five_attempts_and_holds_up_nothing(
    site: Site,
    hook: tuple[Webhook, str],
    receiver: Receiver,
    items: Items,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told(site)
    [bad] = items(site, KIND)
    told(site)
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(pk=bad.pk).update(payload={"delivery": "no id", "series": 1})
    days_pass(site, monkeypatch, 1)
    with in_workshop(site.workshop.pk):
        parked = OutboxItem.objects.get(pk=bad.pk)
    assert (parked.state, parked.attempts) == ("parked", outbox.MOST_ATTEMPTS)
    assert "ValueError" in parked.error
    assert len(receiver.received) == 1


class TestDatabase:
    """The last guard, with the services gone round."""

    @pytest.mark.parametrize(
        ("change", "constraint"),
        [
            ({"events": []}, "reports_webhook_has_events"),
            ({"is_gone": True}, "reports_webhook_gone_is_not_active"),
        ],
    )
    def test_a_webhook_that_makes_no_sense_is_refused(
        self, site: Site, hook: tuple[Webhook, str], change: dict[str, Any], constraint: str
    ) -> None:
        with in_workshop(site.workshop.pk), pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            Webhook.objects.filter(pk=hook[0].pk).update(**change)

    def test_one_secret_is_the_current_one(self, site: Site, hook: tuple[Webhook, str]) -> None:
        with (
            in_workshop(site.workshop.pk),
            pytest.raises(IntegrityError, match="reports_webhooksecret_one_current"),
            transaction.atomic(),
        ):
            WebhookSecret.objects.create(webhook=hook[0], sealed="x", created_at=timezone.now())

    @pytest.mark.parametrize("change", [{"finished_at": timezone.now()}, {"state": "delivered"}])
    def test_a_delivery_is_finished_with_a_time(
        self, site: Site, hook: tuple[Webhook, str], change: dict[str, Any]
    ) -> None:
        told(site)
        with (
            in_workshop(site.workshop.pk),
            pytest.raises(IntegrityError, match="reports_webhookdelivery_finished_with_time"),
            transaction.atomic(),
        ):
            WebhookDelivery.objects.update(**change)

    def test_a_message_is_there_once(self, site: Site, hook: tuple[Webhook, str]) -> None:
        told(site)
        [delivery] = deliveries(site)
        delivery.pk = new_id()
        with (
            in_workshop(site.workshop.pk),
            pytest.raises(IntegrityError, match="reports_webhookdelivery_message_once"),
            transaction.atomic(),
        ):
            delivery.save(force_insert=True)

    @pytest.mark.parametrize("fields", [{"outcome": "answered"}, {"outcome": "unanswered", "status": 200}])
    def test_an_attempt_has_the_status_of_its_answer(
        self, site: Site, hook: tuple[Webhook, str], fields: dict[str, Any]
    ) -> None:
        told(site)
        [delivery] = deliveries(site)
        with (
            in_workshop(site.workshop.pk),
            pytest.raises(IntegrityError, match="reports_webhookattempt_status_of_answer"),
            transaction.atomic(),
        ):
            WebhookAttempt.objects.create(delivery=delivery, made_at=timezone.now(), **fields)


class TestClearing:
    def test_what_is_over_for_long_is_cleared_and_what_waits_is_not(
        self, site: Site, hook: tuple[Webhook, str], perform_all: Perform, settings: Any
    ) -> None:
        settings.WEBHOOK_DELIVERIES_DAYS = 30
        told(site)
        perform_all(site)
        told(site)
        with in_workshop(site.workshop.pk):
            old, waiting = WebhookDelivery.objects.order_by("created_at")
            for days, left in ((29, 2), (31, 1)):
                old_deliveries_clear(actor=Actor.system(site.workshop.pk, timezone.now() + timedelta(days=days)))
                assert WebhookDelivery.objects.count() == left
            assert not WebhookDelivery.objects.filter(pk=old.pk).exists()
            assert not WebhookAttempt.objects.exists()
        assert waiting.state == "waiting"

    def test_goes_on_until_nothing_is_left(
        self,
        site: Site,
        hook: tuple[Webhook, str],
        perform_all: Perform,
        items: Items,
        monkeypatch: pytest.MonkeyPatch,
        settings: Any,
    ) -> None:
        monkeypatch.setattr("reports.services.webhook_deliveries.CLEARED_AT_ONCE", 2)
        settings.WEBHOOK_DELIVERIES_DAYS = 1
        for _ in range(5):
            told(site)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            WebhookDelivery.objects.update(finished_at=timezone.now() - timedelta(days=2))
            round_go(actor=Actor.system(site.workshop.pk, timezone.now()), since=timezone.now())
        perform_all(site)
        assert len(items(site, "reports.old_deliveries")) == 3
        assert not deliveries(site)

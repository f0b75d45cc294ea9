"""What becomes of messages whose receiver is down, gone, ended or hostile."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest
from django.utils import timezone

from deploy.outbound import webhook_policy
from fleet import outbox
from fleet.errors import Conflict, Forbidden, Invalid
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Webhook
from reports.services.webhook_deliveries import (
    PAUSES,
    delivery_replay,
)
from reports.services.webhooks import webhook_add, webhook_end, webhook_rotate_secret, webhook_update
from tests.factories import Site
from tests.reports.receiver import Receiver
from tests.reports.webhooks.told import KIND, Items, Perform, again, attempts, days_pass, deliveries, told


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

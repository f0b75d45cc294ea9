"""A worker that is lost after the other side has taken what it sent, and before that is committed.

E-mails and webhooks then go out a second time: both schemes allow it, and both sides can tell, since the second one
has the id and the content of the first. A third one never comes.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from deploy.outbound import webhook_policy
from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.services import person_invite
from fleet.tenancy import in_workshop
from reports.models import WebhookAttempt, WebhookDelivery
from reports.services.webhook_deliveries import event_tell
from reports.services.webhooks import webhook_add
from tests.factories import Site, make_site

from .mail_server import MailServer, mail_server
from .receiver import Receiver, receiving
from .worker_process import hold_after_sending, worker


@pytest.fixture
def site(committed_db: None, no_hints: None) -> Site:
    return make_site()


@pytest.fixture
def server(settings: Any) -> Iterator[MailServer]:
    with mail_server() as running:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", running.port
        settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
        yield running


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    with receiving() as made:
        settings.WEBHOOK_POLICY = webhook_policy(networks=["127.0.0.0/8"], ports=[str(made.port)], allows_http=True)
        yield made


def lost_after_sending(item: OutboxItem) -> None:
    with worker(item, hold_after_sending) as process:
        assert process.says() == "sent"
        process.kill()


def let_the_lease_lapse(item: OutboxItem) -> None:
    with in_workshop(item.workshop_id):
        past = timezone.now() - timedelta(seconds=1)
        OutboxItem.objects.filter(pk=item.pk).update(leased_until=past)


def test_an_e_mail_comes_a_second_time_as_the_same_message_and_no_third_time(site: Site, server: MailServer) -> None:
    with in_workshop(site.workshop.pk):
        person_invite(
            actor=site.manager.actor(), record_id=new_id(), email="kim@strand.example", name="Kim", roles=["auditor"]
        )
        item = OutboxItem.objects.get(
            kind="fleet.invitation_email",
            state="waiting",
            attempts=0,
            created_at__gte=(timezone.now() - timedelta(minutes=5)),
        )
    lost_after_sending(item)
    assert len(server.taken) == 1
    assert not outbox.perform(item.workshop_id, item.pk), "its lease still holds"
    let_the_lease_lapse(item)
    assert outbox.perform(item.workshop_id, item.pk)
    assert not outbox.perform(item.workshop_id, item.pk)
    first, second = server.taken
    assert first["Message-ID"] == second["Message-ID"]
    assert [each.get_content() for each in first.walk() if not each.is_multipart()] == [
        each.get_content() for each in second.walk() if not each.is_multipart()
    ]
    with in_workshop(site.workshop.pk):
        kept = OutboxItem.objects.get(pk=item.pk)
    assert (kept.state, kept.attempts) == ("done", 2)


def test_a_webhooks_message_comes_a_second_time_as_the_same_and_no_third_time(site: Site, receiver: Receiver) -> None:
    with in_workshop(site.workshop.pk):
        webhook_add(actor=site.manager.actor(), record_id=new_id(), url=receiver.url, events=["job.ended"])
        event_tell(Actor.system(site.workshop.pk, timezone.now()), "job.ended", new_id(), {"job": "1"})
        item = OutboxItem.objects.get(kind="reports.webhook_attempt")
    lost_after_sending(item)
    assert len(receiver.received) == 1
    let_the_lease_lapse(item)
    assert outbox.perform(item.workshop_id, item.pk)
    assert not outbox.perform(item.workshop_id, item.pk)
    first, second = receiver.received
    assert first.headers["webhook-id"] == second.headers["webhook-id"]
    assert first.body == second.body
    with in_workshop(site.workshop.pk):
        assert WebhookDelivery.objects.get().state == "delivered"
        assert WebhookAttempt.objects.count() == 1

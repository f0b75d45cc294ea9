"""A webhook's secret that many rotate at once, and rotations in the middle of deliveries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import models
from django.utils import timezone
from standardwebhooks import Webhook as Verifier
from standardwebhooks import WebhookVerificationError

from deploy.outbound import webhook_policy
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import LedgerEntry
from fleet.tenancy import in_workshop
from reports.models import Webhook, WebhookDelivery, WebhookSecret
from reports.services import webhook_deliveries, webhooks
from reports.services.webhook_deliveries import event_tell
from reports.services.webhooks import MOST_WEBHOOKS, holding_secrets, opened, webhook_add
from tests.factories import Site
from tests.reports.receiver import Received, Receiver, receiving

from .together import errors_of, performed_by_many, together

CLIENTS = 10
MESSAGES = 12
ATTEMPT = "reports.webhook_attempt"


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    with receiving() as made:
        settings.WEBHOOK_POLICY = webhook_policy(networks=["127.0.0.0/8"], ports=[str(made.port)], allows_http=True)
        yield made


@pytest.fixture
def hook(site: Site, receiver: Receiver) -> tuple[Webhook, str]:
    note_use(site)
    with in_workshop(site.workshop.pk):
        return webhook_add(
            actor=site.manager.actor(timezone.now()), record_id=new_id(), url=receiver.url, events=["job.ended"]
        )


def note_use(site: Site) -> None:
    """Of the token, every ten minutes: one request does it while the others wait, and they would not race."""
    assert site.manager.client().get("/api/v1/webhooks/").status_code == 200


def rotation(site: Site, hook: Webhook, **body: Any) -> Any:
    return site.manager.client().post(f"/api/v1/webhooks/{hook.pk}/rotation/", body)


def secrets_of(site: Site, hook: Webhook) -> list[WebhookSecret]:
    with in_workshop(site.workshop.pk):
        return list(WebhookSecret.objects.filter(webhook=hook))


def holding(site: Site, hook: Webhook) -> list[str]:
    with in_workshop(site.workshop.pk):
        return [opened(each) for each in holding_secrets(hook, timezone.now())]


def unlocked(webhook_id: Any) -> Webhook:
    return Webhook.objects.get(pk=webhook_id)


# Rotated by many


def test_of_many_rotations_one_secret_is_current_and_all_that_were_shown_hold(
    site: Site, hook: tuple[Webhook, str]
) -> None:
    answers = together([lambda: rotation(site, hook[0])] * CLIENTS)

    assert Counter(each.status_code for each in answers) == {201: CLIENTS}
    shown = {hook[1], *(each.json()["secret"] for each in answers)}
    assert len(shown) == CLIENTS + 1
    made = secrets_of(site, hook[0])
    assert [each.expires_at is None for each in made].count(True) == 1
    assert shown == set(holding(site, hook[0])), "during the overlap each secret that somebody was shown signs"
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="webhook_secret_rotated").count() == CLIENTS


def test_one_rotation_that_many_send_under_one_id_is_one(site: Site, hook: tuple[Webhook, str]) -> None:
    body = {"id": str(new_id())}
    answers = together([lambda: rotation(site, hook[0], **body)] * CLIENTS)
    assert Counter(each.status_code for each in answers) == {201: 1, 200: CLIENTS - 1}
    assert len({each.json()["secret"] for each in answers}) == 1
    assert len(secrets_of(site, hook[0])) == 2


def test_without_the_lock_rotations_get_into_each_others_way(
    site: Site, hook: tuple[Webhook, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database's constraint then refuses all but one, instead of each in its turn."""
    monkeypatch.setattr(webhooks, "_locked", unlocked)
    answers = together([lambda: rotation(site, hook[0])] * CLIENTS)
    assert Counter(each.status_code for each in answers) != {201: CLIENTS}
    assert [each.expires_at is None for each in secrets_of(site, hook[0])].count(True) == 1


# Rotated while messages are sent


def told(site: Site) -> None:
    for _ in range(MESSAGES):
        with in_workshop(site.workshop.pk):
            event_tell(Actor.system(site.workshop.pk, timezone.now()), "job.ended", new_id(), {"job": "1"})


def is_signed_by(request: Received, secret: str) -> bool:
    try:
        Verifier(secret).verify(request.body, request.headers)
    except WebhookVerificationError:
        return False
    return True


def rotated_while_sending(site: Site, hook: Webhook) -> None:
    told(site)
    together(
        [
            lambda: performed_by_many(site, ATTEMPT, workers=2),
            *[lambda: rotation(site, hook)] * CLIENTS,
        ]
    )


def test_messages_sent_during_rotations_are_signed_by_what_their_receiver_knows(
    site: Site, hook: tuple[Webhook, str], receiver: Receiver
) -> None:
    rotated_while_sending(site, hook[0])
    assert errors_of(site, ATTEMPT) == []
    with in_workshop(site.workshop.pk):
        states = Counter(WebhookDelivery.objects.values_list("state", flat=True))
    assert states == {"delivered": MESSAGES}
    ids = Counter(request.headers["webhook-id"] for request in receiver.received)
    assert ids == Counter(dict.fromkeys(ids, 1))
    assert len(ids) == MESSAGES
    assert all(is_signed_by(request, hook[1]) for request in receiver.received)
    told(site)
    performed_by_many(site, ATTEMPT)
    (current,) = [each for each in secrets_of(site, hook[0]) if each.expires_at is None]
    assert all(is_signed_by(request, opened(current)) for request in receiver.received[MESSAGES:])


def test_by_the_newest_secret_alone_messages_would_be_lost_on_their_receiver(
    site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    def newest(webhook: Webhook, _now: Any) -> Any:
        return webhook.secrets.filter(expires_at=None)

    rotation(site, hook[0])
    monkeypatch.setattr(webhook_deliveries, "holding_secrets", newest)
    rotated_while_sending(site, hook[0])
    assert not all(is_signed_by(request, hook[1]) for request in receiver.received)


def test_without_claims_messages_would_be_sent_more_than_once(
    site: Site, hook: tuple[Webhook, str], receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unlocked_rows(queryset: models.QuerySet[Any], *_args: Any, **_options: Any) -> models.QuerySet[Any]:
        return queryset.all()

    monkeypatch.setattr(models.QuerySet, "select_for_update", unlocked_rows)
    rotated_while_sending(site, hook[0])
    assert len(receiver.received) > MESSAGES


# As many as there may be


def added_by_all(site: Site, receiver: Receiver) -> list[Any]:
    """One is left that may be added, and all want it."""
    with in_workshop(site.workshop.pk):
        for _ in range(MOST_WEBHOOKS - 1 - Webhook.objects.count()):
            webhook_add(
                actor=site.manager.actor(timezone.now()), record_id=new_id(), url=receiver.url, events=["job.ended"]
            )
    body = {"url": receiver.url, "events": ["job.ended"]}
    note_use(site)
    return together([lambda: site.manager.client().post("/api/v1/webhooks/", body)] * CLIENTS)


def test_the_last_webhook_that_may_be_added_is_added_once(site: Site, receiver: Receiver) -> None:
    answers = added_by_all(site, receiver)
    assert Counter(each.status_code for each in answers) == {201: 1, 409: CLIENTS - 1}


def test_without_the_lock_several_take_the_last_place(
    site: Site, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unlocked_rows(queryset: models.QuerySet[Any], *_args: Any, **_options: Any) -> models.QuerySet[Any]:
        return queryset.all()

    monkeypatch.setattr(models.QuerySet, "select_for_update", unlocked_rows)
    assert Counter(each.status_code for each in added_by_all(site, receiver))[201] > 1

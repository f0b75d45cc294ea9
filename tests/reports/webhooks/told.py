"""Messages that webhooks are told, and the days that pass until they arrive."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone
from standardwebhooks import Webhook as Verifier
from standardwebhooks import WebhookVerificationError

from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Webhook, WebhookAttempt, WebhookDelivery
from reports.services.webhook_deliveries import (
    event_tell,
)
from tests.factories import Site
from tests.reports.receiver import Received

Perform = Callable[[Site], list[str]]


Items = Callable[..., list[OutboxItem]]


KIND = "reports.webhook_attempt"


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

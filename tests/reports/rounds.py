"""Daily rounds, carried out at a time, and the e-mails that they send."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.core import mail
from django.core.mail import EmailMessage
from django.utils import timezone

from fleet.actor import Actor
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import DriftAlert
from reports.services.daily_round import round_go
from tests.factories import Site

Perform = Callable[[Site], list[str]]


def system(site: Site, at: datetime | None = None) -> Actor:
    return Actor.system(site.workshop.pk, at or timezone.now())


def round_at(site: Site, at: datetime, since: datetime, perform_all: Perform) -> list[EmailMessage]:
    """A daily round at a time, and the e-mails that it has sent."""
    mail.outbox.clear()
    with in_workshop(site.workshop.pk):
        round_go(actor=system(site, at), since=since)
        OutboxItem.objects.filter(state="waiting", kind__endswith="_email").update(due_at=timezone.now())
    perform_all(site)
    return list(mail.outbox)


def alert(site: Site, vehicle: Any, at: datetime, **fields: Any) -> DriftAlert:
    details = {"level_mm": -15.8, "last_mm": -16.0, "tolerance_mm": 6.0, "measured_day": 9826.5}
    values = {"kind": "out_of_tolerance", "place": "FL", "details": details, **fields}
    with in_workshop(site.workshop.pk):
        return DriftAlert.objects.create(vehicle=vehicle, opened_at=at, updated_at=at, **values)


def to(messages: list[EmailMessage], address: str) -> list[EmailMessage]:
    return [each for each in messages if each.to == [address]]

"""Webhooks in the database: what it refuses, and what is cleared away."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.models import Webhook, WebhookAttempt, WebhookDelivery, WebhookSecret
from reports.services.daily_round import round_go
from reports.services.webhook_deliveries import (
    old_deliveries_clear,
)
from tests.factories import Site
from tests.reports.webhooks.told import Items, Perform, deliveries, told


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

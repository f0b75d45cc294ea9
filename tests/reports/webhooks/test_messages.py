"""Webhooks: who is told of what, how it is signed, what becomes of it when the receiver is down, gone or hostile."""

from __future__ import annotations

import base64
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import LedgerEntry
from fleet.tenancy import in_workshop
from reports.models import Webhook
from reports.services.events import alert_tell
from reports.services.webhook_deliveries import (
    signed_headers,
)
from reports.services.webhooks import webhook_rotate_secret, webhook_update
from tests.factories import Site
from tests.reports import jobs
from tests.reports.receiver import Received, Receiver
from tests.reports.webhooks.told import Perform, deliveries, is_signed, told

PUBLISHED: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "reference" / "standard_webhooks.json").read_text(encoding="utf-8")
)["vector"]


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

"""Parked work over HTTP: who sees it, and what becomes of it when it is tried again."""

from __future__ import annotations

import uuid

import pytest
from django.core.cache import cache
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site

API = "/api/v1"


@pytest.fixture(autouse=True)
def _no_throttle_history() -> None:
    cache.clear()


class TestParkedWork:
    @pytest.fixture
    def parked(self, site: Site) -> OutboxItem:
        with in_workshop(site.workshop.pk):
            return OutboxItem.objects.create(
                kind="reports.certificate_email",
                payload={"certificate": str(new_id()), "code": "secret"},
                state="parked",
                created_at=timezone.now(),
                due_at=timezone.now(),
                finished_at=timezone.now(),
                attempts=5,
                error="ConnectionRefusedError: no server there",
            )

    def test_is_shown_with_its_error_and_without_secrets(self, site: Site, parked: OutboxItem) -> None:
        client = site.manager.client()
        [shown] = client.get(f"{API}/parked-work/").json()["results"]
        assert shown == client.get(f"{API}/parked-work/{parked.pk}/").json()
        assert shown["error"] == parked.error
        assert shown["about"] == {"certificate": parked.payload["certificate"]}
        assert "secret" not in str(shown)

    def test_retry_puts_it_back_and_may_be_repeated(self, site: Site, parked: OutboxItem) -> None:
        client = site.manager.client()
        for _ in range(2):
            answer = client.post(f"{API}/parked-work/{parked.pk}/retry/")
            assert answer.status_code == 200
            assert (answer.json()["state"], answer.json()["attempts"]) == ("waiting", 0)
        assert client.get(f"{API}/parked-work/").json()["results"] == []

    def test_retry_is_for_managers_and_for_what_there_is(self, site: Site, parked: OutboxItem) -> None:
        path = f"{API}/parked-work/{parked.pk}/"
        for client, expected in (
            (site.technician.client(), 403),
            (make_site().manager.client(), 404),
            (APIClient(), 401),
        ):
            assert client.get(path).status_code == expected
            assert client.post(f"{path}retry/").status_code == expected
        assert site.manager.client().post(f"{API}/parked-work/{uuid.uuid4()}/retry/").status_code == 404
        with in_workshop(site.workshop.pk):
            assert OutboxItem.objects.get(pk=parked.pk).state == "parked"

    def test_work_that_is_not_parked_is_not_shown(self, site: Site) -> None:
        client = site.manager.client()
        assert client.get(f"{API}/parked-work/").json()["results"] == []
        with in_workshop(site.workshop.pk):
            waiting = OutboxItem.objects.first()
        assert waiting is not None
        assert client.get(f"{API}/parked-work/{waiting.pk}/").status_code == 404

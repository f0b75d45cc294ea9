"""What machines may ask, and who may ask for figures."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import OperationalError
from django.db.migrations.executor import MigrationExecutor
from django.test import Client

from tests.factories import Site


def test_a_process_that_answers_is_alive(client: Client) -> None:
    response = client.get("/healthz")
    assert (response.status_code, response.json()) == (200, {"status": "alive"})


def test_it_is_ready_with_its_database(client: Client, db: None) -> None:
    assert client.get("/readyz").json() == {"status": "ready", "database": "ready"}


@pytest.mark.parametrize(("plan", "state"), [(["a migration"], "migrations waiting"), (None, "not reached")])
def test_it_is_not_ready_without(
    client: Client, db: None, monkeypatch: pytest.MonkeyPatch, plan: Any, state: str
) -> None:
    def migration_plan(_self: Any, _targets: Any) -> Any:
        if plan is None:
            raise OperationalError
        return plan

    monkeypatch.setattr(MigrationExecutor, "migration_plan", migration_plan)
    response = client.get("/readyz")
    assert (response.status_code, response.json()["database"]) == (503, state)
    assert response["Retry-After"]


def test_figures_are_for_this_machine(client: Client) -> None:
    assert b"python_info" in client.get("/metrics").content
    assert client.get("/metrics", REMOTE_ADDR="192.0.2.7").status_code == 404
    assert client.get("/metrics", REMOTE_ADDR="").status_code == 404


@pytest.mark.parametrize("header", ["X-Forwarded-For", "Forwarded", "X-Real-IP"])
def test_a_proxy_on_this_machine_does_not_make_them_public(client: Client, header: str) -> None:
    assert client.get("/metrics", headers={header: "192.0.2.7"}).status_code == 404


@pytest.mark.parametrize("address", ["192.0.2.7", "127.0.0.1"])
def test_where_a_token_is_set_everybody_needs_it(client: Client, db: None, settings: Any, address: str) -> None:
    def asked(token: str) -> int:
        headers = {"Authorization": f"Bearer {token}"}
        return client.get("/metrics", REMOTE_ADDR=address, headers=headers).status_code

    settings.METRICS_TOKEN = "figures"  # noqa: S105
    assert (asked("figures"), asked("figure"), asked("")) == (200, 404, 404)


def test_without_a_token_in_the_settings_none_opens_the_figures_to_elsewhere(client: Client, settings: Any) -> None:
    settings.METRICS_TOKEN = ""
    headers = {"Authorization": "Bearer "}
    assert client.get("/metrics", REMOTE_ADDR="192.0.2.7", headers=headers).status_code == 404


@pytest.mark.parametrize("path", ["/healthz", "/readyz", "/metrics"])
def test_nothing_is_written_here(client: Client, path: str) -> None:
    assert client.post(path).status_code == 405


def test_the_figures_hold_nothing_of_people_vehicles_or_workshops(client: Client, site: Site) -> None:
    """Whoever has an account on the machine may read them."""
    vehicle, person = site.vehicle(), site.person("technician")
    asked = [
        f"vehicles/{vehicle.vin}/",
        f"people/{person.membership.pk}/",
        f"people/?email={person.email}",
        "workshop/",
    ]
    statuses = [site.manager.client().get(f"/api/v1/{path}").status_code for path in asked]
    assert statuses[:2] == [200, 200]
    figures = client.get("/metrics").content.decode()
    assert 'view="fleet.api.vehicles.VehicleViewSet"' in figures, "the requests are counted"
    known = (vehicle.vin, vehicle.registration, person.email, person.token, str(vehicle.pk), str(site.workshop.pk))
    assert [each for each in (*known, str(person.membership.pk), "@", site.workshop.name) if each in figures] == []

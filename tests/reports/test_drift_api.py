"""Alerts and a vehicle's drift over HTTP: who may, what is missing, repeated, and what was known at a time."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.ids import new_id
from fleet.models import Tenure, Vehicle
from fleet.tenancy import in_workshop
from reports.models import DriftAlert
from tests.factories import Site, make_site

from . import drifting

API = "/api/v1"
Perform = Callable[[Site], list[str]]


@pytest.fixture(autouse=True)
def _no_throttle_history() -> None:
    cache.clear()


@pytest.fixture
def vehicle(site: Site, perform_all: Perform) -> Vehicle:
    """Found 14 mm too low at the front left."""
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=0.5, instrument=site.instrument(), FL=472)
    perform_all(site)
    return vehicle


@pytest.fixture
def alert(site: Site, vehicle: Vehicle) -> DriftAlert:
    with in_workshop(site.workshop.pk):
        return DriftAlert.objects.get(kind="out_of_tolerance")


def drift(client: APIClient, vehicle: Vehicle, **query: Any) -> Any:
    return client.get(f"{API}/vehicles/{vehicle.vin}/drift/", query)


def acknowledge(client: APIClient, alert: DriftAlert, **body: Any) -> Any:
    return client.post(f"{API}/alerts/{alert.pk}/acknowledgement/", {"note": "Booked in for Tuesday.", **body})


class TestAlerts:
    def test_one_shows_the_documented_fields(self, site: Site, vehicle: Vehicle, alert: DriftAlert) -> None:
        answer = site.technician.client().get(f"{API}/alerts/{alert.pk}/")
        assert answer.status_code == 200
        found = answer.json()
        figures = found.pop("figures")
        opened_at = alert.opened_at.isoformat().replace("+00:00", "Z")
        assert found == {
            "id": str(alert.pk),
            "vehicle": vehicle.vin,
            "kind": "out_of_tolerance",
            "corner": "FL",
            "axle": None,
            "state": "open",
            "detail": "Front left: 14.0 mm too low, the tolerance is 6.0 mm.",
            "opened_at": opened_at,
            "updated_at": opened_at,
            "resolved_at": None,
            "resolution": None,
            "resolved_by_job": None,
            "acknowledgement": None,
        }
        assert figures["last_mm"] == -14.0
        assert figures["measured_on"] == (timezone.now() - timedelta(days=0.5)).astimezone(UTC).date().isoformat()

    @pytest.mark.parametrize(
        ("query", "kinds"),
        [
            ({}, ["out_of_tolerance", "uneven"]),
            ({"state": "open"}, ["out_of_tolerance", "uneven"]),
            ({"state": "resolved"}, []),
            ({"kind": "uneven"}, ["uneven"]),
            ({"vehicle": "OWN"}, ["out_of_tolerance", "uneven"]),
            ({"vehicle": "0LBWAGNX0RA999999"}, []),
        ],
    )
    def test_they_are_listed_and_filtered(
        self, site: Site, vehicle: Vehicle, query: dict[str, str], kinds: list[str]
    ) -> None:
        wanted = {name: vehicle.vin if value == "OWN" else value for name, value in query.items()}
        answer = site.technician.client().get(f"{API}/alerts/", wanted)
        assert answer.status_code == 200
        assert sorted(each["kind"] for each in answer.json()["results"]) == kinds

    @pytest.mark.parametrize("query", [{"state": "closed"}, {"kind": "sunk"}, {"colour": "red"}])
    def test_an_unknown_filter_is_refused(self, site: Site, query: dict[str, str]) -> None:
        assert site.technician.client().get(f"{API}/alerts/", query).status_code == 422

    def test_a_list_takes_no_more_queries_for_more_alerts(
        self, site: Site, vehicle: Vehicle, perform_all: Perform
    ) -> None:
        client = site.technician.client()

        def queries() -> int:
            with CaptureQueriesContext(
                connection,
            ) as captured:
                assert client.get(f"{API}/alerts/").status_code == 200
            return len(captured)

        queries()
        before = queries()
        for _ in range(3):
            drifting.checked(site, site.vehicle(), days_ago=0.4, FL=470)
        perform_all(site)
        assert queries() == before

    def test_without_a_token_nothing_is_shown(self, vehicle: Vehicle, alert: DriftAlert) -> None:
        for path in ("alerts/", f"alerts/{alert.pk}/", f"vehicles/{vehicle.vin}/drift/"):
            assert APIClient().get(f"{API}/{path}").status_code == 401
        assert acknowledge(APIClient(), alert).status_code == 401

    def test_another_workshop_finds_none_of_it(self, vehicle: Vehicle, alert: DriftAlert) -> None:
        client = make_site().manager.client()
        assert client.get(f"{API}/alerts/").json()["results"] == []
        assert client.get(f"{API}/alerts/{alert.pk}/").status_code == 404
        assert drift(client, vehicle).status_code == 404
        assert acknowledge(client, alert).status_code == 404

    def test_one_that_is_missing_is_not_found(self, site: Site) -> None:
        client = site.manager.client()
        assert client.get(f"{API}/alerts/{uuid.uuid4()}/").status_code == 404
        assert client.get(f"{API}/alerts/nonsense/").status_code == 404
        assert client.get(f"{API}/vehicles/0LBWAGNX0RA999999/drift/").status_code == 404


class TestAcknowledgement:
    def test_it_says_what_is_to_be_done(self, site: Site, alert: DriftAlert) -> None:
        answer = acknowledge(site.technician.client(), alert)
        assert answer.status_code == 200
        found = answer.json()
        assert found["state"] == "open"
        assert found["acknowledgement"]["note"] == "Booked in for Tuesday."
        assert found["acknowledgement"]["by"] == str(site.technician.membership.pk)

    def test_repeated_with_its_id_it_is_answered_as_before(self, site: Site, alert: DriftAlert) -> None:
        client, record_id = site.technician.client(), str(new_id())
        first, again = (acknowledge(client, alert, id=record_id) for _ in range(2))
        other = acknowledge(client, alert, id=record_id, note="Another.")
        anew = acknowledge(client, alert)
        assert [each.status_code for each in (first, again, other, anew)] == [200, 200, 409, 409]
        assert first.json() == again.json()
        assert [each.json()["type"] for each in (other, anew)] == ["id_reused", "acknowledged"]

    @pytest.mark.parametrize("note", ["", "  ", None, 7])
    def test_it_needs_a_note(self, site: Site, alert: DriftAlert, note: Any) -> None:
        answer = acknowledge(site.technician.client(), alert, note=note)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/note"

    def test_an_auditor_and_a_contact_may_not(self, site: Site, vehicle: Vehicle, alert: DriftAlert) -> None:
        contact = site.person("operator_contact", operator=vehicle.operator_id)
        for person in (site.person("auditor"), contact):
            client = person.client()
            assert client.get(f"{API}/alerts/{alert.pk}/").status_code == 200
            assert acknowledge(client, alert).status_code == 403


class TestContacts:
    def test_they_see_alerts_and_drift_of_their_own_vehicles(self, site: Site, vehicle: Vehicle) -> None:
        own = site.person("operator_contact", operator=vehicle.operator_id).client()
        other = site.person("operator_contact", operator=site.operator().pk).client()
        assert len(own.get(f"{API}/alerts/").json()["results"]) == 2
        assert len(drift(own, vehicle).json()["alerts"]) == 2
        assert other.get(f"{API}/alerts/").json()["results"] == []
        assert drift(other, vehicle).status_code == 404

    def test_afterwards_what_was_known_while_they_were_theirs(
        self, site: Site, vehicle: Vehicle, perform_all: Perform
    ) -> None:
        own = site.person("operator_contact", operator=vehicle.operator_id).client()
        with in_workshop(site.workshop.pk):
            Tenure.objects.filter(vehicle=vehicle).update(ended_at=timezone.now() - timedelta(hours=6))
        drifting.checked(site, vehicle, days_ago=0.1, FL=460)
        perform_all(site)
        found = drift(own, vehicle).json()
        assert found["corners"]["FL"]["measurements"] == 1
        assert drift(site.manager.client(), vehicle).json()["corners"]["FL"]["measurements"] == 2


class TestDrift:
    def test_it_shows_the_documented_fields(self, site: Site, vehicle: Vehicle) -> None:
        found = drift(site.technician.client(), vehicle).json()
        assert (found["vehicle"], found["as_of"]) == (vehicle.vin, None)
        corner = found["corners"]["FL"]
        assert corner["level_mm"] == -14.0
        assert (corner["target_mm"], corner["tolerance_mm"], corner["measurements"]) == (486.0, 6.0, 1)
        assert corner["rate_mm_per_year"] == 0.0
        assert corner["probability_outside_by_due"] == pytest.approx(1.0, abs=1e-3)
        assert corner["is_outside"] is True
        assert corner["expected_outside_on"] is None, "nothing is forecast of what has happened"
        assert corner["interval"] == {"since": None, "until": None}
        assert found["sides"]["front"]["difference_mm"] == pytest.approx(-14.0)
        assert [each["kind"] for each in found["alerts"]] == ["uneven", "out_of_tolerance"] or len(found["alerts"]) == 2

    def test_of_a_vehicle_never_measured_there_is_nothing_to_say(self, site: Site) -> None:
        found = drift(site.technician.client(), site.vehicle()).json()
        assert (found["corners"], found["sides"], found["due_on"], found["alerts"]) == ({}, {}, None, [])

    def test_a_corner_that_sinks_is_expected_outside(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.sinking(site, vehicle, site.instrument())
        perform_all(site)
        corner = drift(site.technician.client(), vehicle).json()["corners"]["FL"]
        assert corner["interval"]["since"] < corner["expected_outside_on"] < corner["interval"]["until"]
        assert corner["rate_mm_per_year"] < -3
        assert corner["is_outside"] is False

    def test_as_of_counts_what_had_been_received_by_then(
        self, site: Site, vehicle: Vehicle, perform_all: Perform
    ) -> None:
        client = site.technician.client()
        before = drift(client, vehicle).json()
        then = datetime.now(UTC)
        drifting.checked(site, vehicle, days_ago=0, FL=470, RR=512)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            DriftAlert.objects.filter(kind="uneven").update(
                state="resolved", resolution="put_right", resolved_at=timezone.now()
            )
        as_known = drift(client, vehicle, as_of=then.isoformat()).json()
        assert as_known["corners"] == before["corners"]
        shown = {(each["kind"], each["corner"], each["state"]) for each in as_known["alerts"]}
        assert shown == {("out_of_tolerance", "FL", "open"), ("uneven", None, "open")}
        figures = {each["kind"]: each["figures"] for each in as_known["alerts"]}
        assert figures["out_of_tolerance"]["last_mm"] == -14.0, "and not what is known of it now"

    def test_as_of_a_date_is_its_end(self, site: Site, vehicle: Vehicle) -> None:
        client, today = site.technician.client(), datetime.now(UTC).date()
        now = drift(client, vehicle, as_of=today.isoformat()).json()
        assert now["as_of"] == f"{today.isoformat()}T23:59:59.999999Z"
        assert now["corners"]["FL"]["measurements"] == 1
        assert drift(client, vehicle, as_of=(today - timedelta(days=3)).isoformat()).json()["corners"] == {}

    @pytest.mark.parametrize("as_of", ["yesterday", "2026-13-40", "2026-05-04T10:00:00", "20260504", "٢٠٢٦-٠٥-٠٤"])
    def test_another_as_of_is_refused(self, site: Site, vehicle: Vehicle, as_of: str) -> None:
        answer = drift(site.technician.client(), vehicle, as_of=as_of)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["parameter"] == "as_of"

    def test_an_unknown_parameter_is_refused(self, site: Site, vehicle: Vehicle) -> None:
        assert drift(site.technician.client(), vehicle, asof="2026-05-04").status_code == 422

"""Alerts on the pages: the list, one of them, today, and the vehicle with its drift."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from calibration.selectors.vehicle_drift import CornerDrift
from fleet.actor import Actor
from fleet.models import Membership
from fleet.tenancy import in_workshop
from reports.models import DriftAlert
from reports.pages.drift import corner_in_words
from reports.services.alerts import vehicle_evaluate
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of
from tests.reports import drifting

from .conftest import AtWork

LOW = "Front left: 16.0 mm too low, the tolerance is 6.0 mm."


def page_of(browser: Client, path: str) -> str:
    answer = browser.get(path)
    assert answer.status_code == 200, path
    return str(answer.content.decode())


def broken_lines(page: str) -> dict[str, int]:
    """How many there are in the chart of each corner's drift."""
    charts = re.findall(r"<title[^>]*>([^<]+): drift between services</title>(.*?)</svg>", page, re.DOTALL)
    return {corner: drawing.count("stroke-dasharray") for corner, drawing in charts}


class TestList:
    def test_what_is_open_is_listed_with_what_is_the_matter(self, manager: Client, at_work: AtWork) -> None:
        page = page_of(manager, "/alerts/")
        assert LOW in page
        assert f'href="/alerts/{at_work.alert.pk}/"' in page
        assert "not said yet" in page, "a dash reads as if nothing were to be done"

    def test_it_is_filtered(self, manager: Client, at_work: AtWork) -> None:
        vin = at_work.done.vehicle.vin
        assert LOW in page_of(manager, f"/alerts/?q={vin[-6:]}&kind=out_of_tolerance&state=any")
        for query in ("kind=trend", "state=resolved", "q=ZZZZ"):
            assert "None fits." in page_of(manager, f"/alerts/?{query}"), query
        assert manager.get("/alerts/?kind=sunk").status_code == 422

    def test_an_empty_workshop_is_told_so(self, manager: Client) -> None:
        assert "Nothing is the matter: no alert is open." in page_of(manager, "/alerts/")

    def test_a_contact_sees_those_of_their_own_vehicles(
        self, another: Callable[..., Client], at_work: AtWork, site: Site
    ) -> None:
        contact = browser_of(at_work.contact)
        assert LOW in page_of(contact, "/alerts/")
        other = another("operator_contact", operator=site.operator().pk)
        assert LOW not in page_of(other, "/alerts/")
        assert other.get(f"/alerts/{at_work.alert.pk}/").status_code == 404


class TestOne:
    def test_it_is_taken_in_hand_and_stays_open(self, manager: Client, at_work: AtWork, site: Site) -> None:
        path = f"/alerts/{at_work.alert.pk}/"
        assert "Note what is to be done" in page_of(manager, path)
        form_id = manager.get(path).context["form"]["id"].value()
        sent = [manager.post(path, {"id": form_id, "note": "Booked in."}) for _ in range(2)]
        assert [each.status_code for each in sent] == [302, 302], "sent twice it is done once"
        page = page_of(manager, path)
        assert "Booked in." in page
        for listed in ("/", "/alerts/"):
            assert "Booked in." in page_of(manager, listed)
            assert "not said yet" not in page_of(manager, listed)
        assert "Note what is to be done" not in page
        with in_workshop(site.workshop.pk):
            alert = DriftAlert.objects.get(pk=at_work.alert.pk)
        assert (alert.state, alert.version) == ("open", 2)

    def test_who_only_reads_has_no_form(self, at_work: AtWork) -> None:
        contact = browser_of(at_work.contact)
        path = f"/alerts/{at_work.alert.pk}/"
        assert "Note what is to be done" not in page_of(contact, path)
        assert contact.post(path, {"note": "Booked in."}).status_code == 403

    def test_a_resolved_one_says_why(self, manager: Client, at_work: AtWork, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            DriftAlert.objects.filter(pk=at_work.alert.pk).update(
                state="resolved",
                resolution="put_right",
                resolved_at=timezone.now(),
                resolved_by_job=at_work.done.job_id,
            )
        page = page_of(manager, f"/alerts/{at_work.alert.pk}/")
        assert "put right" in page
        assert f'href="/jobs/{at_work.done.job_id}/"' in page
        assert "Note what is to be done" not in page


def test_today_shows_what_is_the_matter_and_leaves_it_out_where_nothing_is(
    manager: Client, at_work: AtWork, site: Site
) -> None:
    assert LOW in page_of(manager, "/")
    with in_workshop(site.workshop.pk):
        DriftAlert.objects.update(state="resolved", resolution="put_right", resolved_at=timezone.now())
    assert "What is the matter" not in page_of(manager, "/")


class TestVehicle:
    def test_it_tells_of_its_drift_in_words_and_a_chart(self, manager: Client, at_work: AtWork, site: Site) -> None:
        vehicle = site.vehicle()
        drifting.sinking(site, vehicle, site.instrument())
        with in_workshop(site.workshop.pk):
            vehicle_evaluate(actor=Actor.system(site.workshop.pk, timezone.now()), vehicle_id=vehicle.pk)
        page = page_of(manager, f"/vehicles/{vehicle.vin}/")
        assert "Drift between services" in page
        assert "mm a year. Expected outside its tolerance on" in page
        assert broken_lines(page) == dict.fromkeys(("Front left", "Front right", "Rear left", "Rear right"), 1)
        assert "It is not known to move." in page

    @pytest.mark.parametrize(
        ("rate_uncertainty_mm", "told"),
        [
            (5.0, "It sinks by 5.5 mm a year."),
            (12.0, "It probably sinks by 5.5 mm a year; that is not certain yet."),  # 0.82 for sinking
            (14.0, "It is not known to move."),  # 0.78
        ],
    )
    def test_what_a_trend_may_rest_on_is_not_called_unknown(self, rate_uncertainty_mm: float, told: str) -> None:
        drift = CornerDrift("FL", 500.0, 10.0, 3, timezone.now(), -4.0, 2.0, -5.5, rate_uncertainty_mm)
        assert told in corner_in_words(drift, "mm", timezone.now())
        assert drift.is_known_to_move + drift.probably_moves <= 1

    @pytest.mark.parametrize(
        ("height_mm", "told"),
        [
            (474.0, "It is outside its tolerance. It sinks by"),
            (478.4, "When last measured it was more likely outside its tolerance than within. It sinks by"),
        ],
    )
    def test_of_a_corner_that_is_outside_already_that_is_said_and_no_forecast(
        self, manager: Client, site: Site, perform_all: Callable[[Site], object], height_mm: float, told: str
    ) -> None:
        vehicle, tape = site.vehicle(), site.instrument()
        for number in range(7):
            drop_mm = (486.0 - height_mm) * number / 6.0
            drifting.checked(site, vehicle, days_ago=380 - 60 * number, instrument=tape, FL=486.0 - drop_mm)
        perform_all(site)
        page = page_of(manager, f"/vehicles/{vehicle.vin}/")
        assert told in page
        assert broken_lines(page) == {"Front left": 0, "Front right": 1, "Rear left": 1, "Rear right": 1}
        assert "Expected outside" not in page
        assert "Expected outside" not in page_of(manager, "/")

    def test_lengths_are_in_the_readers_unit(self, manager: Client, at_work: AtWork, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            Membership.objects.update(length_unit="inch")
        assert "Front left: 0.63 in too low, the tolerance is 0.24 in." in page_of(manager, "/alerts/")
        assert "0.63 in too low" in page_of(manager, f"/alerts/{at_work.alert.pk}/")

    def test_without_anything_judged_there_is_nothing_to_say(self, manager: Client, site: Site) -> None:
        assert "Drift between services" not in page_of(manager, f"/vehicles/{site.vehicle().vin}/")

    def test_more_checks_take_no_more_queries(self, manager: Client, site: Site) -> None:
        vehicle = site.vehicle()
        drifting.sinking(site, vehicle, site.instrument())
        with in_workshop(site.workshop.pk):
            vehicle_evaluate(actor=Actor.system(site.workshop.pk, timezone.now()), vehicle_id=vehicle.pk)
        path = f"/vehicles/{vehicle.vin}/"

        def queries() -> int:
            with CaptureQueriesContext(connection) as captured:
                page_of(manager, path)
            return len(captured)

        queries()
        before = queries()
        for _ in range(4):
            drifting.checked(site, vehicle, days_ago=0.05, FL=470)
        assert queries() <= before

"""A forecast whose day has passed without a measurement: said as such, and told to be measured, wherever it is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.utils import timezone

from calibration.rules.drift_course import day_of
from fleet.days import note_time_zone
from fleet.looks import dates
from fleet.models import Vehicle, Workshop
from fleet.tenancy import in_workshop
from reports.certificate.display import Display
from reports.certificate.document import Units
from reports.certificate.operator_summary import drift_words
from reports.models import DriftAlert
from reports.selectors.alerts import (
    MOST_SERIOUS_FIRST,
    PASSED,
    alerts_as_of,
    expected_of,
    has_passed,
    passed_at,
    visible_alerts,
)
from reports.selectors.operator_summary import Line, lines_of, vehicles_of
from reports.selectors.standing import Known, standing_of
from tests.factories import Site
from tests.reports import drifting, jobs
from tests.reports.pages.test_alerts import page_of
from tests.reports.rendering import text_of
from tests.reports.rounds import alert as alert_on
from tests.reports.rounds import round_at, to
from tests.reports.test_calendar import events_of

Perform = Callable[[Site], list[str]]
LONG_AGO = 320
"""Days since the last measurement: the corner was forecast to leave within a few months of it."""
TELLS = "a day that passed without a measurement: measure it now."


@pytest.fixture
def vehicle(site: Site, perform_all: Perform) -> Vehicle:
    vehicle = site.vehicle(registration="P PASSED", operator=site.operator())
    drifting.sinking(site, vehicle, site.instrument(), last_days_ago=LONG_AGO)
    perform_all(site)
    return vehicle


def trend_of(site: Site, vehicle: Vehicle, at: datetime | None = None) -> DriftAlert:
    with in_workshop(site.workshop.pk):
        found: DriftAlert = visible_alerts(site.manager.actor(at)).get(vehicle=vehicle, kind="trend")
    return found


def day_told(site: Site, vehicle: Vehicle) -> str:
    """The day that was forecast, as pages write it."""
    return dates.day(expected_day(site, vehicle))


def expected_day(site: Site, vehicle: Vehicle) -> date:
    with in_workshop(site.workshop.pk):
        expected = expected_of(trend_of(site, vehicle).details)
    assert expected is not None
    return expected


def passed(site: Site, expected: date) -> datetime:
    with in_workshop(site.workshop.pk):
        return passed_at(expected)


def standing(site: Site, vehicle: Vehicle, at: datetime | None = None) -> Any:
    with in_workshop(site.workshop.pk):
        return standing_of(site.manager.actor(at), Vehicle.objects.get(pk=vehicle.pk))


def lines(site: Site, vehicle: Vehicle) -> list[Line]:
    with in_workshop(site.workshop.pk):
        actor = site.manager.actor()
        return lines_of(list(vehicles_of(vehicle.operator, actor)), actor, ZoneInfo("UTC"))


class TestRule:
    @pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland", "America/Los_Angeles"])
    @pytest.mark.parametrize("minutes", [-1, 0, 1])
    def test_a_day_has_passed_from_its_end_on_where_the_workshop_is(self, site: Site, zone: str, minutes: int) -> None:
        noon = datetime(2026, 3, 10, 12, tzinfo=ZoneInfo(zone))
        alert = alert_on(
            site, site.vehicle(), noon, kind="trend", details={"expected_outside_day": day_of(noon), "level_mm": -5.0}
        )
        now = datetime(2026, 3, 11, tzinfo=ZoneInfo(zone)).astimezone(UTC) + timedelta(minutes=minutes)
        with in_workshop(site.workshop.pk):
            workshop = Workshop.objects.get()
            workshop.time_zone = zone
            workshop.save()
            note_time_zone(workshop)
            found = visible_alerts(site.manager.actor(now)).get(pk=alert.pk)
            (then,) = alerts_as_of(site.manager.actor(), alert.vehicle, now, ())
            assert passed_at(date(2026, 3, 10)) == datetime(2026, 3, 11, tzinfo=ZoneInfo(zone))
            assert found.has_passed == then.has_passed == has_passed(date(2026, 3, 10), now) == (minutes >= 0)

    def test_none_passes_that_is_no_open_trend_or_has_no_day(self, site: Site) -> None:
        others = [
            ("trend", "FL", {"expected_outside_day": None}),
            ("out_of_tolerance", "FR", {"expected_outside_day": 1}),
        ]
        vehicle = site.vehicle()
        for kind, place, details in others:
            alert_on(site, vehicle, timezone.now(), kind=kind, place=place, details=details)
        resolved = {"state": "resolved", "resolution": "checked", "resolved_at": timezone.now()}
        alert_on(site, vehicle, timezone.now(), kind="trend", details={"expected_outside_day": 1}, **resolved)
        with in_workshop(site.workshop.pk):
            assert not [each for each in visible_alerts(site.manager.actor()) if each.has_passed]

    def test_every_kind_has_its_place_among_what_is_serious(self) -> None:
        assert sorted(MOST_SERIOUS_FIRST) == sorted([*DriftAlert.Kind.values, PASSED])
        assert MOST_SERIOUS_FIRST[:2] == (DriftAlert.Kind.OUT_OF_TOLERANCE, PASSED)


class TestVehicle:
    def test_its_page_says_that_the_day_has_passed_and_forecasts_nothing(
        self, manager: Client, site: Site, vehicle: Vehicle
    ) -> None:
        page = page_of(manager, f"/vehicles/{vehicle.vin}/")
        told = f"Forecast to have left its tolerance by {day_told(site, vehicle)}, {TELLS}"
        assert page.count(told) >= 5, "what is not done, alert, words and description of the chart, history"
        assert "Expected outside" not in page
        assert "Measure now" in page

    def test_before_the_day_is_over_it_is_still_forecast(self, site: Site, vehicle: Vehicle) -> None:
        expected = expected_day(site, vehicle)
        before = standing(site, vehicle, passed(site, expected) - timedelta(minutes=1))
        after = standing(site, vehicle, passed(site, expected))
        assert (before.known, after.known) == (None, Known.MEASURE)

    def test_once_measured_nothing_of_it_is_left(
        self, manager: Client, site: Site, vehicle: Vehicle, perform_all: Perform
    ) -> None:
        drifting.checked(site, vehicle, days_ago=0.1, instrument=site.instrument(), FL=486)
        perform_all(site)
        assert standing(site, vehicle).known is None
        page = page_of(manager, f"/vehicles/{vehicle.vin}/")
        assert TELLS not in page[: page.index('id="timeline"')], "but for what is history"

    def test_measured_without_bearing_it_out_the_alert_stands_and_says_so(
        self, manager: Client, site: Site, vehicle: Vehicle, perform_all: Perform
    ) -> None:
        drifting.checked(site, vehicle, days_ago=0.1, instrument=site.instrument(), FL=488)
        perform_all(site)
        assert trend_of(site, vehicle).state == DriftAlert.State.OPEN
        assert standing(site, vehicle).known is None
        page = page_of(manager, f"/vehicles/{vehicle.vin}/")
        now = page[: page.index('id="timeline"')]
        assert "The last measurement does not bear that out" in now
        assert TELLS not in now

    def test_in_the_bay_it_rests(self, site: Site, vehicle: Vehicle) -> None:
        bench = jobs.Bench.at(site, vehicle=vehicle)
        bench.now = timezone.now()
        bench.receive()
        assert standing(site, vehicle).known is None


class TestLists:
    def test_today_has_it_behind_what_is_outside_and_before_all_else(
        self, manager: Client, site: Site, vehicle: Vehicle
    ) -> None:
        uneven, low = site.vehicle(registration="U"), site.vehicle(registration="L")
        figures = {"difference_mm": -9.0, "limit_mm": 8.0}
        alert_on(site, uneven, timezone.now(), kind="uneven", place="front", details=figures)
        alert_on(site, low, timezone.now() - timedelta(days=9))
        page = page_of(manager, "/")
        assert TELLS in page
        assert "Expected outside" not in page
        alerts = page[page.index('aria-labelledby="alerts"') :]
        places = [alerts.index(f"/vehicles/{each.vin}/") for each in (low, vehicle, uneven)]
        assert places == sorted(places)

    def test_the_due_list_has_it_first(
        self, manager: Client, site: Site, vehicle: Vehicle, perform_all: Perform
    ) -> None:
        late = site.vehicle(registration="A LATE")
        drifting.checked(site, late, days_ago=900, instrument=site.instrument())
        perform_all(site)
        page = page_of(manager, "/due/")
        assert page.index(f"/vehicles/{vehicle.vin}/") < page.index(f"/vehicles/{late.vin}/")
        card = page[page.index(f"/vehicles/{vehicle.vin}/") :].partition("</li>\n    </ul>")[0]
        assert "Measure now" in card
        assert TELLS in card

    def test_the_list_of_vehicles_marks_it(self, manager: Client, vehicle: Vehicle) -> None:
        assert "Measure now" in page_of(manager, "/vehicles/?state=known") + page_of(manager, "/vehicles/")

    def test_so_does_the_calendar_and_the_event_changed_when_the_day_was_over(
        self, site: Site, vehicle: Vehicle
    ) -> None:
        event = events_of(site.manager)["Measure now: P PASSED; height check due"]
        with in_workshop(site.workshop.pk):
            DriftAlert.objects.update(opened_at=timezone.now() - timedelta(days=LONG_AGO))
        assert event["last-modified"].dt >= passed(site, expected_day(site, vehicle))


class TestSummary:
    def test_its_line_and_its_place(self, site: Site, vehicle: Vehicle, perform_all: Perform) -> None:
        fine = site.vehicle(registration="A FINE", operator=vehicle.operator)
        drifting.checked(site, fine, days_ago=3, instrument=site.instrument())
        perform_all(site)
        first, _second = lines(site, vehicle)
        assert first.registration == "P PASSED"
        told = drift_words(first, Display(Units(), UTC))
        assert told.endswith(f"forecast to have left tolerance by {day_told(site, vehicle)}: measure it now")

    def test_page_and_pdf_say_it(self, manager: Client, vehicle: Vehicle) -> None:
        path = f"/operators/{vehicle.operator_id}/summary/"
        assert "measure it now" in page_of(manager, path)
        text = " ".join(text_of(manager.get(f"{path}pdf/").content).split())
        assert "1 to be measured now" in text
        assert "MEASURE NOW" in text


class TestInterface:
    def test_drift_and_alerts_tell_it_in_words_and_keep_the_day(self, site: Site, vehicle: Vehicle) -> None:
        client = site.technician.client()
        found = client.get(f"/api/v1/vehicles/{vehicle.vin}/drift/").json()
        (alert,) = (each for each in found["alerts"] if each["kind"] == "trend")
        assert alert["detail"].endswith(TELLS)
        day = found["corners"]["FL"]["expected_outside_on"]
        assert day == alert["figures"]["expected_outside_on"] < timezone.now().date().isoformat()
        listed = client.get("/api/v1/alerts/?kind=trend").json()["results"]
        one = client.get(f"/api/v1/alerts/{alert['id']}/").json()
        assert [each["detail"] for each in [*listed, one]] == [alert["detail"]] * 2
        sent = client.post(f"/api/v1/alerts/{alert['id']}/acknowledgement/", {"note": "Called."}, format="json").json()
        assert sent["detail"] == alert["detail"]

    def test_as_of_a_time_before_the_day_it_was_forecast(self, site: Site, vehicle: Vehicle) -> None:
        with in_workshop(site.workshop.pk):
            opened = timezone.now() - timedelta(days=LONG_AGO - 1)
            DriftAlert.objects.filter(kind="trend").update(opened_at=opened, updated_at=opened)
            expected = expected_of(DriftAlert.objects.get(kind="trend").details)
            assert expected is not None
            actor = site.manager.actor()
            for at, is_over in ((passed_at(expected) - timedelta(minutes=1), False), (passed_at(expected), True)):
                trends = [each for each in alerts_as_of(actor, vehicle, at, ()) if each.kind == "trend"]
                assert [each.has_passed for each in trends] == [is_over]


def test_e_mails_tell_it_and_the_most_urgent_first(site: Site, vehicle: Vehicle, perform_all: Perform) -> None:
    other = site.vehicle(vin="0LBWAGNX0RA900001", registration="A")
    alert_on(site, other, timezone.now(), kind="unsteady", details={})
    now = timezone.now() + timedelta(minutes=10)
    (message,) = to(round_at(site, now, now - timedelta(days=1), perform_all), site.manager.email)[:1]
    body = str(message.body)
    assert TELLS in body
    assert "Expected outside" not in body
    assert body.index(TELLS) < body.index("differ from visit to visit")

"""Documents, pages and the interface name days of the workshop's calendar: on both sides of UTC."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from types import SimpleNamespace
from typing import Any, Final
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from reportlab.graphics.shapes import Group, String

from calibration.models import DriftSeries
from calibration.rules.check_due import months_after
from calibration.rules.drift_course import day_of, time_of_day
from calibration.selectors.vehicle_drift import drift_of
from fleet import services
from fleet.ids import new_id
from fleet.looks.dates import day as day_in_words
from fleet.models import Vehicle
from fleet.tenancy import in_workshop
from reports.alert_words import date_of
from reports.drawing.drift_chart import DriftChart, DriftPoint, draw_drift_chart
from reports.models import Reminder
from reports.pages.drift import drift_shown
from reports.selectors.due import checks, due_instruments, due_vehicles
from reports.selectors.operator_summary import lines_of, vehicles_of
from reports.selectors.standing import urgent_first
from tests.elsewhere import HOURS, ONE_DAY, Place, move, moved, on_both_sides
from tests.factories import SPECIFICATION, Site
from tests.fleet.pages.forms import errors_in, send
from tests.fleet.signin.browsers import browser_of

from . import drifting, jobs
from .snapshots import document

Perform = Callable[[Site], list[str]]


def with_interval(site: Site, **interval: Any) -> Vehicle:
    return site.vehicle(vehicle_model=site.specification(**interval).vehicle_model)


@on_both_sides
def test_a_document_names_the_calibration_of_the_day_on_which_the_instrument_was_used(site: Site, zone: str) -> None:
    bench = jobs.Bench.at(site)
    place = moved(site, zone)
    for number, day in enumerate((place.yesterday, place.today, place.tomorrow)):
        with in_workshop(site.workshop.pk):
            services.instrument_calibrate(
                actor=site.manager.actor(place.now + 3 * ONE_DAY),
                record_id=new_id(),
                instrument=bench.instrument,
                calibrated_on=day,
                calibration_due_on=day + timedelta(days=300),
                certificate_number=f"K-{number}",
            )
    bench.now = place.now - timedelta(minutes=5)
    bench.receive()
    bench.check_readiness()
    bench.measure(jobs.WITHIN)
    bench.sign_off()
    [tape] = document(bench).instruments
    assert (tape.calibrated_on, tape.calibration_reference) == (place.today, "K-1")


@on_both_sides
def test_a_check_is_overdue_from_the_beginning_of_its_day(site: Site, zone: str, perform_all: Perform) -> None:
    place = moved(site, zone, days=-5)
    vehicle = with_interval(site, check_interval_months=6, check_interval_km=None)
    drifting.checked(site, vehicle, days_ago=40)
    perform_all(site)
    with in_workshop(site.workshop.pk):
        due_on = time_of_day(DriftSeries.objects.get(vehicle=vehicle).due_day).date()
        begins = datetime.combine(due_on, time.min, ZoneInfo(zone)).astimezone(UTC)
        stages = []
        for now in (begins - datetime.resolution, begins):
            actor = site.manager.actor(now)
            [due] = checks(DriftSeries.objects.all(), now, within=ONE_DAY)
            lines = lines_of(list(vehicles_of(vehicle.operator, actor)), actor, ZoneInfo(zone))
            [line] = [each for each in lines if each.vin == vehicle.vin]
            shown = drift_shown(actor, vehicle, drift_of(vehicle), [], unit="mm", zone=ZoneInfo(zone))
            assert shown is not None
            stages.append((due.stage, line.stage, shown["due"].stage))
            assert due.due_on == line.due_on == shown["due"].on == due_on
    assert place.zone == zone
    assert stages == [(Reminder.Stage.DUE,) * 3, (Reminder.Stage.OVERDUE,) * 3]


DUE: Final = date(2027, 4, 5)
TWO_WEEKS_BEFORE: Final = date(2027, 3, 22)
"""Between these days clocks go forward in Europe, and back in New Zealand."""


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Pacific/Auckland", "Europe/Berlin", "Pacific/Pago_Pago"])
@pytest.mark.parametrize("by_distance", [False, True])
def test_a_check_is_due_soon_from_the_beginning_of_the_day_two_weeks_before(
    site: Site, zone: str, by_distance: bool, perform_all: Perform
) -> None:
    """Wherever the workshop is, and though one of the days between has 23 or 25 hours: as calibrations are."""
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=40)
    site.instrument(serial="T-1", calibrated_on=date(2020, 1, 1), calibration_due_on=DUE)
    perform_all(site)
    move(site, zone)
    evening = datetime.combine(DUE, time(23, 59), ZoneInfo(zone))
    by_months = datetime.combine(DUE, time.min, UTC)
    days = {"due_day": math.inf if by_distance else day_of(by_months)}
    far = {"distance_due_day": day_of(evening) if by_distance else math.inf, "due_at_km": 1.0}
    begins = datetime.combine(TWO_WEEKS_BEFORE, time.min, ZoneInfo(zone)).astimezone(UTC)
    with in_workshop(site.workshop.pk):
        DriftSeries.objects.filter(vehicle=vehicle).update(**days, **far)
        for now, stage in ((begins - datetime.resolution, None), (begins, Reminder.Stage.DUE)):
            actor, told = site.manager.actor(now), [each.due_on for each in (*due_vehicles(now), *due_instruments(now))]
            shown = drift_shown(actor, vehicle, drift_of(vehicle), [], unit="mm", zone=ZoneInfo(zone))
            [row] = urgent_first(Vehicle.objects.filter(pk=vehicle.pk), actor)
            assert shown is not None
            assert (shown["due"].stage, shown["due"].on) == (stage, DUE)
            assert row.urgency == (1 if stage else 2)
            assert told == ([DUE, DUE] if stage else [])


@on_both_sides
def test_by_distance_a_check_is_due_on_the_day_of_the_moment(site: Site, zone: str, perform_all: Perform) -> None:
    """1000 km a day from the last check on: 15 days."""
    place = moved(site, zone, days=-5)
    vehicle = with_interval(site, check_interval_months=None, check_interval_km=15_000)
    ago = (datetime.now(UTC) - place.now) / ONE_DAY
    for days, km in ((10, 10_000), (0, 20_000)):
        drifting.checked(site, vehicle, days_ago=ago + days, odometer_km=km)
    perform_all(site)
    answer = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/drift/").json()
    assert (answer["due_on"], answer["due_at_km"]) == ((place.today + 15 * ONE_DAY).isoformat(), 35_000)


@on_both_sides
def test_figures_of_an_alert_are_days_there_and_what_is_due_by_months_is_a_day_anywhere(site: Site, zone: str) -> None:
    place = moved(site, zone)
    details = {"step_day": day_of(place.now), "due_day": day_of(place.now)}
    anywhere = {"due_day": day_of(datetime.combine(place.today, time.min, UTC))}
    with in_workshop(site.workshop.pk):
        assert date_of(details, "step_day") == place.today
        assert date_of({**details, "due_at_km": 35_000.0}, "due_day") == place.today
        assert date_of(anywhere, "due_day") == place.today


@pytest.mark.parametrize(("before", "after"), [("UTC", "Pacific/Auckland"), ("Pacific/Auckland", "UTC")])
def test_a_change_of_zone_brings_due_days_up_to_date(site: Site, before: str, after: str, perform_all: Perform) -> None:
    """Measured when it was the next day in Auckland; of a vehicle that never was there is nothing to do."""
    move(site, before)
    vehicle = with_interval(site, check_interval_months=6, check_interval_km=None)
    measured_at = datetime.combine(datetime.now(UTC).date() - 40 * ONE_DAY, time(HOURS["Pacific/Auckland"]), UTC)
    drifting.checked(site, vehicle, days_ago=(datetime.now(UTC) - measured_at) / ONE_DAY)
    site.vehicle()
    perform_all(site)

    def due() -> date:
        with in_workshop(site.workshop.pk):
            [found] = checks(DriftSeries.objects.all(), measured_at, within=timedelta(400))
        return found.due_on

    def due_in(zone: str) -> date:
        return months_after(measured_at.astimezone(ZoneInfo(zone)).date(), 6)

    assert due() == due_in(before)
    move(site, after)
    performed = perform_all(site)
    assert due() == due_in(after) != due_in(before)
    assert performed.count("fleet.time_zone_changed") == 1
    assert performed.count("calibration.drift_changed") == 1


def at_changes(year: int) -> dict[str, datetime]:
    """When a year, and the time of summer or winter, begins at a place; New York has both on other days than Berlin."""
    march, october = (31 - date(year, month, 31).isoweekday() % 7 for month in (3, 10))  # the last Sundays
    return {
        "America/New_York": datetime(year, 1, 1, tzinfo=ZoneInfo("America/New_York")).astimezone(UTC),
        "Europe/Berlin": datetime(year, 3, march, 1, tzinfo=UTC),
        "Europe/Vienna": datetime(year, 10, october, 1, tzinfo=UTC),
    }


@pytest.mark.parametrize(
    ("zone", "opened", "signed"),
    [
        ("America/New_York", "12-31T23:57:00-05:00", "01-01T00:01:00-05:00"),
        ("Europe/Berlin", "01:57:00+01:00", "03:01:00+02:00"),
        ("Europe/Vienna", "02:57:00+02:00", "02:01:00+01:00"),
    ],
)
def test_a_job_over_a_change_of_year_or_clocks_has_its_times_in_order(
    site: Site, zone: str, opened: str, signed: str
) -> None:
    """Opened and measured before, signed off after."""
    change = at_changes(site.began_at.year + 1)[zone]
    move(site, zone)
    tape = site.instrument(calibrated_on=date(2020, 1, 1), calibration_due_on=change.date() + 300 * ONE_DAY)
    bench = jobs.Bench(site, site.vehicle(), tape, change - timedelta(minutes=4))
    bench.receive()
    bench.check_readiness()
    bench.measure(jobs.WITHIN)
    bench.now += timedelta(minutes=1)
    bench.sign_off()
    found = document(bench)
    times = [found.job.opened_at, found.rounds[0].taken_at, found.signatures[0].signed_at, found.issued_at]
    assert times == sorted(times, key=datetime.timestamp)
    assert times[0].isoformat().endswith(opened)
    assert times[2].isoformat().endswith(signed)
    assert times[2] - times[0] == timedelta(minutes=4)


def _texts(group: Group) -> set[str]:
    found: set[str] = set()
    for each in group.contents:
        found |= _texts(each) if isinstance(each, Group) else {each.text} if isinstance(each, String) else set()
    return found


@on_both_sides
def test_a_chart_of_drift_has_the_days_of_its_zone(zone: str, site: Site) -> None:
    place = moved(site, zone)
    points = tuple(DriftPoint(day_of(place.now) + days, 1.0, 2.0) for days in (0, 10))
    shown = _texts(draw_drift_chart(DriftChart("Front left", points, (), 6.0, zone=ZoneInfo(zone))))
    assert {day_in_words(place.yesterday), day_in_words(place.today + 11 * ONE_DAY)} <= shown, "a day before and after"


@on_both_sides
class TestWhatIsInForceToday:
    @pytest.fixture
    def place(self, site: Site, zone: str, monkeypatch: pytest.MonkeyPatch) -> Place:
        """It is that time now to whoever calls."""
        place = moved(site, zone)
        monkeypatch.setattr("fleet.middleware.timezone", SimpleNamespace(now=lambda: place.now))
        return place

    @pytest.fixture
    def vehicle(self, site: Site, place: Place) -> Vehicle:
        """Of whose model another revision takes effect every day: the third one today, by which the front is higher."""
        vehicle = site.vehicle()
        for day, target in ((place.yesterday, 486), (place.today, 700), (place.tomorrow, 486)):
            front = {**SPECIFICATION["front"], "target_mm": target}
            site.specification(vehicle.vehicle_model, effective_from=day, front=front)
        return vehicle

    @pytest.fixture
    def browser(self, site: Site, vehicle: Vehicle) -> Client:
        return browser_of(site.manager)

    def test_on_a_vehicles_page(self, browser: Client, vehicle: Vehicle) -> None:
        assert "Revision 3 since" in browser.get(f"/vehicles/{vehicle.vin}/").content.decode()

    def test_on_a_worksheet(self, browser: Client, vehicle: Vehicle) -> None:
        page = browser.get(f"/vehicles/{vehicle.vin}/worksheet/").content.decode()
        assert "targets of specification revision 3" in page

    def test_on_the_page_of_responses(self, browser: Client, vehicle: Vehicle) -> None:
        page = browser.get(f"/vehicle-models/{vehicle.vehicle_model_id}/response/").content.decode()
        assert "Compared with revision 3" in page

    def test_in_the_interfaces_responses(self, site: Site, vehicle: Vehicle) -> None:
        path = f"/api/v1/vehicle-models/{vehicle.vehicle_model_id}/response/"
        assert site.manager.client().get(path).json()["revision"] == 3

    def test_in_a_form_that_asks_again_for_a_height_in_another_unit(self, browser: Client, vehicle: Vehicle) -> None:
        typed = {"heights__FL": "27.6", "heights__FR": "700", "heights__RL": "504", "heights__RR": "504"}
        told = errors_in(send(browser, f"/vehicles/{vehicle.vin}/checks/new/", **typed))
        assert "inches" in told["heights-FL"]

"""Past checks that were imported before their vehicle had any specification, and what happens when it gets one."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

import psycopg
from django.db import connection
from django.utils import timezone

from calibration.models import DriftSeries
from deploy import database
from deploy.embedded.folder import data_folder
from fleet.models import OutboxItem, Vehicle
from fleet.tenancy import in_workshop
from reports.models import DriftAlert
from reports.services.sweep import sweep_go_on
from tests.factories import SPECIFICATION, Site, make_site

from .imports import check_row, csv_of, imported
from .rounds import system

Perform = Callable[[Site], list[str]]
DAYS = ("2025-03-03", "2025-05-04", "2025-07-05")


def unspecified(site: Site, **heights: float) -> Vehicle:
    """With three checks from a file, the last of which is to be judged."""
    vehicle = site.vehicle(vehicle_model=site.vehicle_model())
    tape = site.instrument().serial
    rows = [check_row(vehicle.vin, f"{day}T09:30:00Z", instrument=tape) for day in DAYS]
    assert imported(site, csv_of([*rows[:2], {**rows[2], **heights}]))["unjudged"] == 3
    return vehicle


def specify(site: Site, vehicle: Vehicle, effective_from: str) -> dict[str, Any]:
    path = f"/api/v1/vehicle-models/{vehicle.vehicle_model_id}/specifications/"
    answer = site.manager.client().post(path, {**SPECIFICATION, "effective_from": effective_from}, format="json")
    assert answer.status_code == 201, answer.json()
    made: dict[str, Any] = answer.json()
    return made


def checks(site: Site, vehicle: Vehicle) -> list[dict[str, Any]]:
    """Newest first."""
    rows: list[dict[str, Any]] = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/checks/").json()["results"]
    return rows


def alerts(site: Site, vehicle: Vehicle) -> set[tuple[str, str]]:
    with in_workshop(site.workshop.pk):
        return set(DriftAlert.objects.filter(vehicle=vehicle, state="open").values_list("kind", "place"))


def drift_of(site: Site, vehicle: Vehicle, **query: str) -> dict[str, Any]:
    answer: dict[str, Any] = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/drift/", query).json()
    return answer


def test_it_judges_them_and_drift_due_dates_and_alerts_follow(quiet: Site, perform_all: Perform) -> None:
    vehicle = unspecified(quiet, FL_mm=498)
    perform_all(quiet)
    assert [each["verdict"] for each in checks(quiet, vehicle)] == [None] * 3
    assert {each["code"] for row in checks(quiet, vehicle) for each in row["findings"]} >= {"not_judged_yet"}
    assert (alerts(quiet, vehicle), DriftSeries.objects.filter(vehicle=vehicle).exists()) == (set(), False)

    before = timezone.now()
    made = specify(quiet, vehicle, "2025-01-01")
    perform_all(quiet)
    found = checks(quiet, vehicle)
    assert [each["verdict"] for each in found] == ["outside", "within", "within"]
    assert {each["specification"] for each in found} == {made["id"]}
    assert {each["specification_known_at"] for each in found} == {made["recorded_at"]}
    assert all(each["next_check"]["due_on"] for each in found)
    assert all(each["counts_for_drift"] for each in found)
    assert {("out_of_tolerance", "FL"), ("overdue", "")} <= alerts(quiet, vehicle)
    assert drift_of(quiet, vehicle)["corners"]["FL"]["measurements"] == 3
    assert not drift_of(quiet, vehicle, as_of=before.isoformat())["corners"]


def test_one_in_force_from_a_later_day_leaves_those_before_it_unjudged(quiet: Site, perform_all: Perform) -> None:
    vehicle = unspecified(quiet)
    specify(quiet, vehicle, "2025-05-04")
    perform_all(quiet)
    assert [each["verdict"] for each in checks(quiet, vehicle)] == ["within", "within", None]
    assert [each["counts_for_drift"] for each in checks(quiet, vehicle)] == [True, True, False]


def test_a_slip_of_the_unit_raises_no_alert_before_somebody_has_looked(quiet: Site, perform_all: Perform) -> None:
    vehicle = unspecified(quiet, FL_mm=48.6)
    specify(quiet, vehicle, "2025-01-01")
    perform_all(quiet)
    last = checks(quiet, vehicle)[0]
    assert (last["verdict"], last["counts_for_drift"]) == ("outside", False)
    assert ("out_of_tolerance", "FL") not in alerts(quiet, vehicle)

    body = {"reason": "It was in centimetres.", "replacement": {"height_mm": 498}}
    reading = next(each for each in last["readings"] if each["corner"] == "FL")
    path = f"/api/v1/check-readings/{reading['id']}/strike/"
    answer = quiet.person("manager").client().post(path, body, format="json")
    assert answer.status_code == 201, answer.json()
    perform_all(quiet)
    assert checks(quiet, vehicle)[0]["counts_for_drift"]
    assert ("out_of_tolerance", "FL") in alerts(quiet, vehicle)


def test_the_history_says_that_they_came_without_a_verdict(quiet: Site, perform_all: Perform) -> None:
    vehicle = unspecified(quiet)
    specify(quiet, vehicle, "2025-01-01")
    perform_all(quiet)
    told = quiet.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/history/").json()["results"]
    (line,) = (each["summary"] for each in told if each["kind"] == "height_checks_imported")
    assert line.endswith("3 came without a verdict, since no specification was in force on their days.")


def test_what_an_earlier_version_left_unjudged_is_evaluated_once_by_the_upgrade(
    committed_db: None, no_hints: None, perform_all: Perform
) -> None:
    """The daily sweep goes by the states that are kept, and would not have found it."""
    site = make_site()
    vehicle, other = unspecified(site, FL_mm=498), site.vehicle()
    perform_all(site)
    specify(site, vehicle, "2025-01-01")
    with in_workshop(site.workshop.pk):  # as that version did
        OutboxItem.objects.filter(state="waiting").update(state="done", finished_at=timezone.now())
        sweep_go_on(actor=system(site), after=None)
    perform_all(site)
    assert alerts(site, vehicle) == set()

    evaluate = import_module("calibration.migrations.0004_judged_later").EVALUATE
    parameters: dict[str, Any] = database.connection_parameters("owner", data_folder())
    with psycopg.connect(**parameters | {"dbname": str(connection.settings_dict["NAME"])}) as session:
        session.execute(evaluate)
    with in_workshop(site.workshop.pk):
        asked = OutboxItem.objects.filter(kind="calibration.drift_changed", state="waiting")
        assert [each.payload for each in asked] == [{"vehicle": str(vehicle.pk)}], f"and not of {other.vin}"
    perform_all(site)
    assert {("out_of_tolerance", "FL"), ("overdue", "")} <= alerts(site, vehicle)
    assert checks(site, vehicle)[0]["verdict"] == "outside"

"""Today: where the open jobs stand, what waits for a decision, and what was parked."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from calibration.services.jobs import job_pause
from fleet.ids import new_id
from fleet.models import Vehicle, Workshop
from fleet.permissions import Permission
from fleet.tenancy import in_workshop
from reports.models import DriftAlert
from reports.pages import today
from tests.factories import Site
from tests.reports import jobs

from .conftest import AtWork

MOST_QUERIES = 40
"""Of which seven are the session, its person and workshop, and the epoch."""


def page_of(browser: Client) -> str:
    answer = browser.get("/")
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_open_jobs_are_listed_with_where_they_stand_and_what_is_next(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager)
    assert at_work.open.vehicle.registration in page
    assert f'href="/jobs/{at_work.open.job_id}/"' in page
    assert "Set-points to be written" in page
    assert "Write the proposed set-points, read them back and record both." in page


def test_a_paused_job_says_why_it_is_paused(manager: Client, at_work: AtWork, site: Site) -> None:
    assert "parts awaited" not in page_of(manager)
    with in_workshop(site.workshop.pk):
        job_pause(actor=at_work.open.actor(), record_id=new_id(), job_id=at_work.open.job_id, reason="parts awaited")
    assert "Paused: parts awaited" in page_of(manager)


def test_a_closed_job_is_not(manager: Client, at_work: AtWork) -> None:
    assert f'href="/jobs/{at_work.done.job_id}/"' not in page_of(manager)


def test_what_waits_for_a_decision_leads_there(manager: Client, at_work: AtWork, site: Site) -> None:
    assert "Nothing waits for a decision." in page_of(manager)
    at_work.open.write(None, {**at_work.open.counts, "FL": 140})
    assert "/findings/" in page_of(manager)


def test_parked_work_is_told_to_managers_only_and_only_where_there_is_some(
    manager: Client, another: Callable[..., Client], at_work: AtWork
) -> None:
    assert "One piece of background work failed in all its attempts" in page_of(manager)
    assert "background work" not in page_of(another("technician"))
    manager.post(f"/parked-work/{at_work.parked.pk}/retry/")
    assert "background work" not in page_of(manager)


def test_an_empty_workshop_is_told_so(manager: Client) -> None:
    page = page_of(manager)
    assert "No job is open." in page
    assert "Nothing waits for a decision." in page


def test_a_further_part_takes_its_place_without_a_change_of_the_page(
    manager: Client, at_work: AtWork, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As alerts will."""
    part = today.TodayPart(
        "more",
        "Something more",
        "reports/pages/parts/parked.html",
        Permission.READ_WORKSHOP,
        lambda _request, _actor: {"count": 2},
    )
    monkeypatch.setattr(today, "PARTS", [*today.PARTS, part])
    page = page_of(manager)
    assert 'id="more">Something more</h2>' in page
    assert "2 pieces of background work failed" in page


def test_times_are_those_of_the_workshop(manager: Client, at_work: AtWork, site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(time_zone="Pacific/Kiritimati")
    opened_at = at_work.open.job.opened_at  # type: ignore[union-attr]  # it was received
    shown = f"{(opened_at.hour + 14) % 24:02d}:{opened_at.minute:02d}"
    assert f", {shown}</time>" in page_of(manager)


def test_costs_the_same_few_queries_however_many_jobs_are_open(manager: Client, at_work: AtWork, site: Site) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            page_of(manager)
        return len(captured)

    assert queries() <= MOST_QUERIES
    for _time in range(3):
        bench = jobs.Bench.at(site)
        bench.receive()
        bench.check_readiness()
        bench.measure(jobs.LOW_FRONT_LEFT)
    four = queries()
    assert four <= MOST_QUERIES
    for _time in range(today.JOBS_SHOWN):
        jobs.Bench.at(site).receive()
    assert queries() <= four
    assert "1 to 20 of 24" in page_of(manager)


def alert_on(site: Site, vehicle: Vehicle, kind: str, place: str, **fields: Any) -> DriftAlert:
    figures = {
        "out_of_tolerance": {"level_mm": -9.0, "last_mm": -9.0, "tolerance_mm": 6.0},
        "uneven": {"difference_mm": 13.0, "limit_mm": 8.0},
        "unsteady": {"scatter": 9.0},
        "overdue": {"due_day": 9800.0, "measured_day": 9700.0},
    }
    opened_at = timezone.now() - timedelta(days=fields.pop("days_ago", 1))
    details = {**figures[kind], **fields.pop("details", {})}
    with in_workshop(site.workshop.pk):
        return DriftAlert.objects.create(
            vehicle=vehicle,
            kind=kind,
            place=place,
            details=details,
            opened_at=opened_at,
            updated_at=opened_at,
            **fields,
        )


def in_hand(note: str = "Booked in.") -> dict[str, Any]:
    return {"acknowledged_at": timezone.now(), "note": note}


class TestAlerts:
    def rows(self, browser: Client) -> list[str]:
        """The markup of each vehicle's row."""
        page = page_of(browser)
        section = page[page.index('aria-labelledby="alerts"') :].partition("</section>")[0]
        return section.partition("<tbody")[2].split("<tr ")[1:]

    def test_a_vehicle_has_one_row_however_much_is_the_matter_with_it(self, manager: Client, site: Site) -> None:
        bad, other = site.vehicle(), site.vehicle()
        alerts = [alert_on(site, bad, "out_of_tolerance", corner) for corner in ("FL", "FR", "RL")]
        alerts += [alert_on(site, bad, "uneven", "rear"), alert_on(site, bad, "overdue", "")]
        alert_on(site, other, "unsteady", "FL")
        rows = self.rows(manager)
        assert [vehicle.vin in row for vehicle, row in zip((bad, other), rows, strict=True)] == [True, True]
        assert "4 more alerts" in rows[0]
        assert "more alert" not in rows[1]
        linked = re.findall('href="/alerts/([^"]+)/"', rows[0])
        assert sorted(linked) == sorted(str(each.pk) for each in alerts), "each is reached"

    def test_the_most_serious_comes_first_by_kind_and_then_by_how_far_off_it_is(
        self, manager: Client, site: Site
    ) -> None:
        vehicle = site.vehicle()
        alert_on(site, vehicle, "overdue", "", days_ago=0)
        alert_on(site, vehicle, "out_of_tolerance", "FL", days_ago=0)
        worst = alert_on(
            site, vehicle, "out_of_tolerance", "RR", days_ago=9, details={"last_mm": 16.0, "level_mm": 15.0}
        )
        (row,) = self.rows(manager)
        shown, folded = row.split("<details")
        assert f"/alerts/{worst.pk}/" in shown
        assert "16.0 mm too high" in shown
        assert folded.index("9.0 mm too low") < folded.index("was due on")

    def test_what_nobody_has_in_hand_comes_before_what_somebody_has_and_the_serious_before_the_new(
        self, manager: Client, site: Site
    ) -> None:
        known, new, serious = (site.vehicle() for _ in range(3))
        alert_on(site, known, "out_of_tolerance", "FL", **in_hand())
        alert_on(site, new, "overdue", "", days_ago=0)
        alert_on(site, serious, "out_of_tolerance", "FL", days_ago=9)
        found = [next(each for each in (known, new, serious) if each.vin in row) for row in self.rows(manager)]
        assert found == [serious, new, known]

    def test_a_folded_one_that_nobody_has_in_hand_is_told_of(self, manager: Client, site: Site) -> None:
        vehicle = site.vehicle()
        alert_on(site, vehicle, "out_of_tolerance", "FL", **in_hand())
        alert_on(site, vehicle, "overdue", "", **in_hand("Called the operator."))
        (row,) = self.rows(manager)
        assert "not all in hand" not in row
        assert row.count("Booked in.") == row.count("Called the operator.") == 1
        alert_on(site, vehicle, "unsteady", "FL")
        assert "not all in hand" in self.rows(manager)[0]

    def test_each_is_taken_in_hand_and_resolved_by_itself(self, manager: Client, site: Site) -> None:
        vehicle = site.vehicle()
        first, second = (alert_on(site, vehicle, "out_of_tolerance", corner) for corner in ("FL", "FR"))
        path = f"/alerts/{second.pk}/"
        form_id = manager.get(path).context["form"]["id"].value()
        assert manager.post(path, {"id": form_id, "note": "Spring is ordered."}).status_code == 302
        with in_workshop(site.workshop.pk):
            assert DriftAlert.objects.get(pk=first.pk).acknowledged_at is None
            DriftAlert.objects.filter(pk=first.pk).update(
                state="resolved", resolution="put_right", resolved_at=timezone.now()
            )
        (row,) = self.rows(manager)
        assert f"/alerts/{first.pk}/" not in row
        assert "Spring is ordered." in row

    def test_vehicles_are_counted_not_alerts(self, manager: Client, site: Site) -> None:
        model, operator = site.specification().vehicle_model, site.operator()
        for _time in range(today.VEHICLES_SHOWN + 2):
            vehicle = site.vehicle(vehicle_model=model, operator=operator)
            for corner in ("FL", "FR"):
                alert_on(site, vehicle, "out_of_tolerance", corner)
        assert len(self.rows(manager)) == today.VEHICLES_SHOWN
        assert "2 more vehicles with alerts" in page_of(manager)

    def test_many_cost_the_queries_of_one(self, manager: Client, site: Site) -> None:
        counts = []
        for number in (1, 4):
            for _time in range(number):
                vehicle = site.vehicle()
                for corner in ("FL", "FR"):
                    alert_on(site, vehicle, "out_of_tolerance", corner)
            page_of(manager)
            with CaptureQueriesContext(connection) as seen:
                page_of(manager)
            counts.append(len(seen))
        assert counts[0] == counts[1] <= MOST_QUERIES

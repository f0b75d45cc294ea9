"""Today: where the open jobs stand, what waits for a decision, and what was parked."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.models import Workshop
from fleet.permissions import Permission
from fleet.tenancy import in_workshop
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

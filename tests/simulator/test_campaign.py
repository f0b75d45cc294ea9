"""The campaign's short version: a technician who knows the interface only, against the service over HTTP."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import httpx
import pytest
from django.core.wsgi import get_wsgi_application

from calibration.metrology.planner import Plan, PlanningCase, compute_plan
from calibration.rules import standing
from tests.factories import Site, make_site
from tests.simulator.campaign import SILENT, Batch, report, simulate
from tests.simulator.job_marks import Outcome, marks_of
from tests.simulator.scenarios import ARRIVES_TRUE, SPECIFICATIONS, WITH_AN_ERROR, Scenario

RANDOM_SEED = 90211
ONE_CORNER, ONE_AXLE, ALL_ALIKE, MIXED = WITH_AN_ERROR


@pytest.fixture
def site(committed_db: None) -> Site:
    return make_site()


def run(site: Site, scenarios: Sequence[Scenario], specification: str, vehicles: int) -> list[Outcome]:
    """In process: every request still goes through the whole service as HTTP."""
    transport = httpx.WSGITransport(app=get_wsgi_application())
    batches = [
        Batch("http://localhost", site.manager.token, specification, scenario, vehicles, RANDOM_SEED, transport)
        for scenario in scenarios
    ]
    return [outcome for batch in batches for outcome in simulate(batch)]


@pytest.mark.parametrize(
    ("name", "scenario"),
    [("estate", MIXED), ("ambulance", ALL_ALIKE), ("safari", ONE_AXLE), ("saloon", ONE_CORNER)],
)
def test_a_client_that_knows_the_interface_only_brings_a_vehicle_within_tolerance(
    site: Site, name: str, scenario: Scenario
) -> None:
    assert name in SPECIFICATIONS
    (outcome,) = run(site, [scenario], name, vehicles=1)
    assert (outcome.ended, outcome.truly_within) == ("sign_off", True)
    assert outcome.writes <= outcome.hand_writes


FEW = (ONE_CORNER, MIXED, ARRIVES_TRUE, SILENT[0])
CONTROLLED = {
    "writes / hand method's writes",
    "ordinary stopped for inspection",
    "ordinary finished without a manager",
}
"""Marks that a handful of vehicles can show to be met, and missed."""


def test_a_few_vehicles_meet_the_marks_and_the_table_shows_them(site: Site) -> None:
    outcomes = run(site, FEW, "estate", vehicles=1)
    assert not [mark.line() for mark in marks_of(outcomes) if mark.name in CONTROLLED and not mark.met]
    table = "\n".join(report(outcomes, RANDOM_SEED))
    assert f"random seed {RANDOM_SEED}" in table
    assert all(f"{scenario.name:<16}     1" in table for scenario in FEW)


def test_a_planner_that_moves_the_wrong_way_misses_the_marks(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """The negative control: the same vehicles as in the test before."""
    monkeypatch.setattr(standing, "compute_plan", _the_wrong_way)
    marks = marks_of(run(site, FEW, "estate", vehicles=1))
    assert {mark.name for mark in marks if not mark.met} >= CONTROLLED


def _the_wrong_way(case: PlanningCase) -> Plan:
    plan = compute_plan(case)
    a, b, c, d = plan.changes
    return replace(plan, changes=(-a, -b, -c, -d))

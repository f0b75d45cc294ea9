"""Who tells a story follows the job's next step: also where a ruling is asked for, and not for ever."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from calibration.rules.standing import Standing
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from reports.demo.simulated_tape import SLIP_MM, Tape
from reports.demo.simulated_vehicle import HEALTHY, SimulatedVehicle, draw_truth
from reports.demo.specifications import AMBULANCE
from reports.demo.visit import MOST_STEPS, EndlessVisitError, Visit
from reports.demo.workshop import DemoWorkshop
from tests.factories import Site

from . import jobs
from .jobs import Bench


class Standing486(SimulatedVehicle):
    """A vehicle whose every corner stands 486 mm high."""

    def __init__(self) -> None:
        pass

    def standing_mm(self, corner: str) -> float:
        return 486.0


def visit_of(bench: Bench, kind: type[Visit] = Visit) -> Visit:
    """Somebody takes over the bench's job as the demo's people do theirs."""
    site = bench.site
    Workshop.objects.filter(pk=site.workshop.pk).update(is_demo=True)
    for person in (site.manager, site.technician):
        person.membership.workshop.refresh_from_db()
    members = {"manager": site.manager.membership, "kofi": site.technician.membership}
    demo = cast(DemoWorkshop, SimpleNamespace(members=members))
    rng = np.random.default_rng(1)
    visit = kind(demo, bench.vehicle, Standing486(), Tape(rng), "kofi", bench.now)
    assert bench.job is not None
    visit.job = bench.job
    return visit


def test_the_manager_rules_on_what_nobody_has_ruled_on(site: Site, ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    ready.write(None, {**jobs.COUNTS, "FL": 145})
    with in_workshop(site.workshop.pk):
        visit = visit_of(ready)
        asked = [finding.id for finding in visit.standing.missing_rulings]
        visit.decide(visit.standing, "Seen together.")
        rulings = visit.case.rulings
    assert asked
    assert {ruling.finding_id for ruling in rulings} == set(asked)
    assert {(each.reason, each.recorded_by) for each in rulings} == {("Seen together.", site.manager.membership.pk)}
    assert not ready.case().standing.missing_rulings


def test_a_visit_that_gets_nowhere_ends_with_an_error_that_names_the_job(site: Site, ready: Bench) -> None:
    class Idle(Visit):
        done = 0

        def _do(self, standing: Standing) -> None:
            self.done += 1

    with in_workshop(site.workshop.pk):
        visit = visit_of(ready, Idle)
        with pytest.raises(EndlessVisitError, match=rf"job {visit.job.number}: .*measure"):
            visit.follow()
    assert cast(Any, visit).done == MOST_STEPS


@pytest.mark.parametrize(("share", "farthest"), [(0.0, 5.0), (1.0, SLIP_MM + 5.0)])
def test_a_slip_of_the_tape_is_off_by_as_much_as_it_is_said_to_be(share: float, farthest: float) -> None:
    tape = Tape(np.random.default_rng(6), slip_share=share)
    off = np.array([tape.read(Standing486(), "RR") for _ in range(400)]) - 486.0
    assert np.abs(off).max() < farthest
    assert (np.abs(off) > 5.0).mean() == share
    assert abs(off.mean()) < 1.5, "as often too high as too low"


def on_target() -> SimulatedVehicle:
    rng = np.random.default_rng(11)
    truth = draw_truth(AMBULANCE, np.zeros(4), (HEALTHY,) * 4, rng)
    return SimulatedVehicle(truth, ("FL", "FR", "RL", "RR"), rng)


def test_a_parked_vehicle_sinks_by_its_leak_and_by_the_cold_until_it_settles_again() -> None:
    vehicle = on_target()
    vehicle.leaks_mm_per_h["RR"] = 2.0
    before = {corner: vehicle.standing_mm(corner) for corner in ("FL", "RR")}
    vehicle.stand_parked(10.0, 14.0, -6.0)
    cold = 300.0 * 20.0 / 287.15
    assert vehicle.standing_mm("FL") - before["FL"] == pytest.approx(-cold)
    assert vehicle.standing_mm("RR") - before["RR"] == pytest.approx(-cold - 20.0)
    vehicle.settle()
    assert vehicle.standing_mm("RR") == pytest.approx(before["RR"], abs=6.0)


def test_a_corner_drifts_with_the_years_until_it_is_repaired() -> None:
    vehicle = on_target()
    vehicle.drifts_mm_per_year["FL"] = -9.0
    start = vehicle.mean_settled_mm()
    vehicle.age({"RL": 2.0}, years=0.5)
    assert vehicle.mean_settled_mm() - start == pytest.approx([-4.5, 0.0, 2.0, 0.0])
    vehicle.repair("FL")
    vehicle.age({}, years=1.0)
    assert vehicle.mean_settled_mm() - start == pytest.approx([-4.5, 0.0, 2.0, 0.0])

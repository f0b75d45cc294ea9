"""The table of marks over HTTP: simulated vehicles through the running service, and through the hand method.

    python -m tests.simulator.campaign [--vehicles 25] [--random-seed 4711] [--processes 2]

The command starts a service of its own. Every vehicle is drawn from (random seed, specification, scenario, number)
alone, and the hand method gets the very same one. What the service knows of a vehicle it was told over HTTP.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import httpx
import numpy as np

from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES, HEALTHY
from tests.simulator.hand_method import HandJob, work_by_hand
from tests.simulator.http_api import Api, connection
from tests.simulator.http_technician import HttpJob
from tests.simulator.http_workshop import HttpWorkshop
from tests.simulator.job_marks import Outcome, marks_of, scenario_table
from tests.simulator.marks import HEAD
from tests.simulator.scenarios import (
    ARRIVES_TRUE,
    FAULTY,
    SPECIFICATIONS,
    WITH_AN_ERROR,
    Case,
    Scenario,
    draw_case,
)
from tests.simulator.served import served

VEHICLES = 25
"""Per scenario and specification: with four specifications a hundred in each scenario."""
RANDOM_SEED = 55217
"""Kept for this table; nothing was tuned with it."""
SILENT = tuple(scenario for scenario in FAULTY if scenario.fault in ("dead", "reversed"))
SCENARIOS = (*WITH_AN_ERROR, ARRIVES_TRUE, *SILENT)
ENDED = {"done": "sign_off"}
"""The table's word for a job that was signed off."""


@dataclass(frozen=True)
class Batch:
    """Vehicles of one scenario and specification, worked on by one technician."""

    url: str
    token: str
    specification: str
    scenario: Scenario
    vehicles: int
    random_seed: int
    transport: httpx.BaseTransport | None = None


def simulate(batch: Batch) -> list[Outcome]:
    """Take every vehicle of a batch through the service and through the hand method."""
    with connection(batch.url, batch.transport) as client:
        return _simulated(batch, HttpWorkshop(Api(client, batch.token)))


def _simulated(batch: Batch, workshop: HttpWorkshop) -> list[Outcome]:
    fields = SPECIFICATIONS[batch.specification]
    technician, model = workshop.technician(), workshop.model(batch.specification, fields)
    place = (batch.random_seed, list(SPECIFICATIONS).index(batch.specification), SCENARIOS.index(batch.scenario))
    outcomes = []
    for number in range(batch.vehicles):
        rng = np.random.default_rng((*place, number))
        case = draw_case(batch.scenario, fields, rng)
        job = technician.work(workshop.vehicle(model), case.vehicle, Tape(rng, batch.scenario.slip_share))
        again = np.random.default_rng((*place, number))
        same = draw_case(batch.scenario, fields, again).vehicle
        by_hand = work_by_hand(same, Tape(again, batch.scenario.slip_share), fields)
        outcomes.append(_outcome(batch, case, job, by_hand))
    return outcomes


def _outcome(batch: Batch, case: Case, job: HttpJob, by_hand: HandJob) -> Outcome:
    return Outcome(
        specification=batch.specification,
        scenario=batch.scenario.name,
        ended=ENDED.get(job.ended, job.ended),
        reason=job.reason,
        writes=job.writes,
        rounds=job.rounds,
        readings=job.readings,
        approvals=job.approvals,
        truly_within=_truly_within(batch, case, job),
        named_after_first_write=_named(case, job),
        hand_writes=by_hand.writes,
        hand_rounds=by_hand.rounds,
        hand_readings=by_hand.readings,
    )


def _truly_within(batch: Batch, case: Case, job: HttpJob) -> bool:
    """Adjustable corners' mean settled heights within tolerance."""
    fields = SPECIFICATIONS[batch.specification]
    axles = [fields["front"], fields["front"], fields["rear"], fields["rear"]]
    heights = case.vehicle.mean_settled_mm()
    return all(
        abs(height - axle["target_mm"]) <= axle["tolerance_mm"]
        for corner, height, axle in zip(CORNER_NAMES, heights, axles, strict=True)
        if corner not in job.not_adjustable
    )


def _named(case: Case, job: HttpJob) -> bool:
    faulty = {corner for corner, fault in zip(CORNER_NAMES, case.faults, strict=True) if fault != HEALTHY}
    return any(job.suspects.get(corner) == 1 for corner in faulty)


def batches(url: str, token: str, vehicles: int, random_seed: int) -> list[Batch]:
    return [
        Batch(url, token, name, scenario, vehicles, random_seed) for scenario in SCENARIOS for name in SPECIFICATIONS
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign and print its table; 1 where a mark is missed."""
    parser = argparse.ArgumentParser(description="The table of marks, over HTTP.")
    parser.add_argument("--vehicles", type=int, default=VEHICLES, help="per scenario and specification")
    parser.add_argument("--random-seed", type=int, default=RANDOM_SEED)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args(arguments)
    began = time.monotonic()
    with served() as service, ProcessPoolExecutor(chosen.processes) as pool:
        parts = pool.map(simulate, batches(service.url, service.token, chosen.vehicles, chosen.random_seed))
        outcomes = [outcome for part in parts for outcome in part]
    sys.stdout.write("\n".join(report(outcomes, chosen.random_seed)) + "\n")
    sys.stdout.write(f"\n{time.monotonic() - began:.0f} s with {chosen.processes} processes\n")
    return 0 if all(mark.met for mark in marks_of(outcomes)) else 1


def report(outcomes: Sequence[Outcome], random_seed: int) -> list[str]:
    """The marks with their intervals, and a line for each scenario beside the hand method."""
    head = f"{len(outcomes)} vehicles over HTTP, random seed {random_seed}, {len(SPECIFICATIONS)} specifications"
    lines = [head, HEAD, *(mark.line() for mark in marks_of(outcomes)), "", *scenario_table(outcomes)]
    odd = [o for o in outcomes if o.scenario not in {s.name for s in SILENT} and not (o.signed_off and o.truly_within)]
    return [*lines, *(f"  not as wished: {o}" for o in odd)]


if __name__ == "__main__":
    sys.exit(main())

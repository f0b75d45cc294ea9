"""Simulated vehicles through the calculations and through the hand method, and the marks of their jobs.

Every vehicle is drawn from (random seed, specification, scenario, number) alone, and the hand method gets the very
same one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.metrology.corners import CORNERS
from calibration.metrology.specification import Specification
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import HEALTHY
from tests.simulator.bench_job import Bench, BenchJob, Technician, specification_from
from tests.simulator.hand_method import work_by_hand
from tests.simulator.marks import Mark, mean, ratio, share
from tests.simulator.scenarios import (
    ARRIVES_TRUE,
    DEAD_AMONG_MIXED,
    FAULTY,
    MISREAD,
    SPECIAL_SPECIFICATIONS,
    SPECIFICATIONS,
    WITH_AN_ERROR,
    Case,
    Scenario,
    draw_case,
)

SCENARIOS = (*WITH_AN_ERROR, ARRIVES_TRUE, *FAULTY, MISREAD, DEAD_AMONG_MIXED)
ALL_SPECIFICATIONS = SPECIFICATIONS | SPECIAL_SPECIFICATIONS
ERROR_NAMES = tuple(scenario.name for scenario in WITH_AN_ERROR)
ORDINARY_NAMES = (*ERROR_NAMES, ARRIVES_TRUE.name)
SILENT_NAMES = tuple(scenario.name for scenario in FAULTY if scenario.fault in ("dead", "reversed"))
TRIED_NAMES = tuple(scenario.name for scenario in SCENARIOS if scenario.name not in (*ORDINARY_NAMES, *SILENT_NAMES))
"""Nothing is asked of these: what became of them is printed."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One vehicle: how the job went, and what the truth says of it."""

    specification: str
    scenario: str
    ended: str
    reason: str
    writes: int
    rounds: int
    readings: int
    approvals: int
    truly_within: bool
    named_after_first_write: bool
    hand_writes: int
    hand_rounds: int
    hand_readings: int

    @property
    def signed_off(self) -> bool:
        return self.ended == "sign_off"

    @property
    def counted_writes(self) -> int:
        """An unfinished job counts as the hand method's writes."""
        return self.writes if self.signed_off else self.hand_writes


def simulate(specification_name: str, scenario: Scenario, vehicles: int, random_seed: int) -> list[Outcome]:
    """Outcomes of one scenario; one technician works through it, so that repeatability becomes known."""
    fields = ALL_SPECIFICATIONS[specification_name]
    specification, technician = specification_from(fields), Technician()
    place = (random_seed, list(ALL_SPECIFICATIONS).index(specification_name), SCENARIOS.index(scenario))
    outcomes = []
    for number in range(vehicles):
        rng = np.random.default_rng((*place, number))
        case = draw_case(scenario, fields, rng)
        job = Bench(case.vehicle, Tape(rng, scenario.slip_share), specification, technician).run()
        again = np.random.default_rng((*place, number))
        by_hand = work_by_hand(draw_case(scenario, fields, again).vehicle, Tape(again, scenario.slip_share), fields)
        outcomes.append(
            Outcome(
                specification=specification_name,
                scenario=scenario.name,
                ended=job.ended,
                reason=job.reason,
                writes=job.writes,
                rounds=job.rounds,
                readings=job.readings,
                approvals=job.approvals,
                truly_within=_truly_within(case, job, specification),
                named_after_first_write=_named(case, job),
                hand_writes=by_hand.writes,
                hand_rounds=by_hand.rounds,
                hand_readings=by_hand.readings,
            )
        )
    return outcomes


def marks_of(outcomes: Sequence[Outcome]) -> list[Mark]:
    """Every mark that is asked of these outcomes."""
    off = [o for o in outcomes if o.scenario in ERROR_NAMES]
    true = [o for o in outcomes if o.scenario == ARRIVES_TRUE.name]
    ordinary = [o for o in outcomes if o.scenario in ORDINARY_NAMES]
    silent = [o for o in outcomes if o.scenario in SILENT_NAMES]
    return [
        ratio("writes / hand method's writes", *_writes(off)),
        share("signed off with at most one write", [o.signed_off and o.writes <= 1 for o in off]),
        share("truly within at sign-off", [o.truly_within for o in ordinary if o.signed_off]),
        share("arrived true, left untouched", [o.writes == 0 for o in true]),
        share("dead or reversed named after first write", [o.named_after_first_write for o in silent]),
        share("ordinary stopped for inspection", [o.ended == "inspect" for o in ordinary]),
        share("ordinary finished without a manager", [o.signed_off and not o.approvals for o in ordinary]),
        share("endless jobs", [o.ended == "endless" for o in outcomes]),
        mean("rounds a job", [o.rounds for o in ordinary]),
        mean("readings a job", [o.readings for o in ordinary]),
    ]


def also_tried(outcomes: Sequence[Outcome]) -> list[Mark]:
    """Figures of the scenarios of which nothing is asked."""
    return [
        figure
        for name in TRIED_NAMES
        for own in ([o for o in outcomes if o.scenario == name],)
        for figure in (
            ratio(f"{name}: writes / hand method's writes", *_writes(own)),
            share(f"{name}: truly within at sign-off", [o.truly_within for o in own if o.signed_off]),
            share(f"{name}: stopped for inspection", [o.ended == "inspect" for o in own]),
            share(f"{name}: named after first write", [o.named_after_first_write for o in own]),
        )
        if own
    ]


def _writes(outcomes: Sequence[Outcome]) -> tuple[list[int], list[int]]:
    return [o.counted_writes for o in outcomes], [o.hand_writes for o in outcomes]


def scenario_table(outcomes: Sequence[Outcome]) -> list[str]:
    """A line for each scenario beside the hand method; `asked` where a manager had to decide."""
    head = (
        "  scenario             n  writes   hand  rounds   hand  readings   hand  signed  stopped  asked  named   true"
    )
    names = dict.fromkeys(o.scenario for o in outcomes)
    return [head, *(_scenario_line([o for o in outcomes if o.scenario == name]) for name in names)]


def _scenario_line(outcomes: Sequence[Outcome]) -> str:
    def average(values: Sequence[float]) -> float:
        return float(np.mean(values)) if values else float("nan")

    return (
        f"  {outcomes[0].scenario:<16} {len(outcomes):5d} {average([o.counted_writes for o in outcomes]):7.2f} "
        f"{average([o.hand_writes for o in outcomes]):6.2f} {average([o.rounds for o in outcomes]):7.2f} "
        f"{average([o.hand_rounds for o in outcomes]):6.2f} {average([o.readings for o in outcomes]):9.1f} "
        f"{average([o.hand_readings for o in outcomes]):6.1f} {average([o.signed_off for o in outcomes]):7.3f} "
        f"{average([o.ended == 'inspect' for o in outcomes]):8.4f} "
        f"{average([o.ended == 'get_approval' or o.approvals > 0 for o in outcomes]):6.3f} "
        f"{average([o.named_after_first_write for o in outcomes]):6.3f} "
        f"{average([o.truly_within for o in outcomes if o.signed_off]):6.4f}"
    )


def specification_table(outcomes: Sequence[Outcome]) -> list[str]:
    """The marks' figures by specification."""
    names = list(dict.fromkeys(o.specification for o in outcomes))
    columns = [marks_of([o for o in outcomes if o.specification == name]) for name in names]
    return [
        f"  {'mark':<42}" + "".join(f"{name:>14}" for name in names),
        *(
            f"  {row[0].name:<42}" + "".join(f"{mark.value:14.4f}" for mark in row)
            for row in zip(*columns, strict=True)
        ),
    ]


def _truly_within(case: Case, job: BenchJob, specification: Specification) -> bool:
    """Adjustable corners' mean settled heights within tolerance."""
    heights = case.vehicle.mean_settled_mm()
    return all(
        abs(heights[i] - specification.target_mm(corner)) <= specification.tolerance_mm(corner)
        for i, corner in enumerate(CORNERS)
        if corner in specification.controlled_corners and corner not in job.not_adjustable
    )


def _named(case: Case, job: BenchJob) -> bool:
    faulty = {corner for corner, fault in zip(CORNERS, case.faults, strict=True) if fault != HEALTHY}
    return job.writes == 1 and any(s.finding is not None and s.corner in faulty for s in job.suspicions)

"""The table of marks: simulated vehicles through the calculations and through the hand method.

    python -m tests.simulator.marks [--vehicles 400] [--seed 20261125] [--processes 2]

Every vehicle is drawn from (seed, specification, scenario, number) alone, and the hand method gets the very
same one.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy import stats

from calibration.metrology.corners import CORNERS
from calibration.metrology.specification import Specification
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import HEALTHY
from tests.simulator.bench_job import Bench, BenchJob, Technician, specification_from
from tests.simulator.hand_method import work_by_hand
from tests.simulator.scenarios import (
    ARRIVES_TRUE,
    FAULTY,
    MISREAD,
    SPECIAL_SPECIFICATIONS,
    SPECIFICATIONS,
    WITH_AN_ERROR,
    Case,
    Scenario,
    draw_case,
)

VEHICLES = 400
SEED = 20261125
"""Kept for the table; while tuning other seeds were used."""
SCENARIOS = (*WITH_AN_ERROR, ARRIVES_TRUE, *FAULTY, MISREAD)
ALL_SPECIFICATIONS = SPECIFICATIONS | SPECIAL_SPECIFICATIONS
ERROR_NAMES = tuple(scenario.name for scenario in WITH_AN_ERROR)
ORDINARY_NAMES = (*ERROR_NAMES, ARRIVES_TRUE.name)
CONFIDENCE = 0.95


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


@dataclass(frozen=True, slots=True)
class Mark:
    """One line of the table: a figure with its 95 % interval, and whether it meets the mark."""

    name: str
    value: float
    low: float
    high: float
    sample: int
    limit: float
    at_least: bool

    @property
    def met(self) -> bool:
        return self.value >= self.limit if self.at_least else self.value <= self.limit

    def line(self) -> str:
        sign = "≥" if self.at_least else "≤"
        verdict = "met" if self.met else "MISSED"
        return (
            f"  {self.name:<46} {self.value:8.4f}  [{self.low:.4f}, {self.high:.4f}]  n={self.sample:<6}"
            f" {sign} {self.limit:<6g} {verdict}"
        )


def simulate(specification_name: str, scenario: Scenario, vehicles: int, seed: int) -> list[Outcome]:
    """Outcomes of one scenario; one technician works through it, so that repeatability becomes known."""
    fields = ALL_SPECIFICATIONS[specification_name]
    specification, technician = specification_from(fields), Technician()
    place = (seed, list(ALL_SPECIFICATIONS).index(specification_name), SCENARIOS.index(scenario))
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
    """Every mark that this issue asks of these outcomes."""
    off = [o for o in outcomes if o.scenario in ERROR_NAMES]
    true = [o for o in outcomes if o.scenario == ARRIVES_TRUE.name]
    ordinary = [o for o in outcomes if o.scenario in ORDINARY_NAMES]
    silent = [o for o in outcomes if o.scenario in ("dead corner", "reversed corner")]
    signed = [o for o in ordinary if o.signed_off]
    return [
        _ratio_mark("writes / hand method's writes", off, 0.40),
        _share_mark("signed off with at most one write", off, lambda o: o.signed_off and o.writes <= 1, 0.60),
        _share_mark("arrived true, left untouched", true, lambda o: o.writes == 0, 0.98),
        _share_mark("truly within at sign-off", signed, lambda o: o.truly_within, 0.995),
        _share_mark("dead or reversed named after first write", silent, lambda o: o.named_after_first_write, 0.98),
        _share_mark("ordinary stopped for inspection", ordinary, lambda o: o.ended == "inspect", 0.01, "most"),
        _share_mark("ordinary finished without a manager", ordinary, lambda o: o.signed_off and not o.approvals, 0.99),
        _share_mark("endless jobs", outcomes, lambda o: o.ended == "endless", 0.0, "most"),
        _mean_mark("rounds a job", [o.rounds for o in ordinary], 3.5),
        _mean_mark("readings a job", [o.readings for o in ordinary], 32.0),
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Table of marks on simulated vehicles.")
    parser.add_argument("--vehicles", type=int, default=VEHICLES, help="per scenario and specification")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--specifications", nargs="*", default=list(ALL_SPECIFICATIONS))
    chosen = parser.parse_args(arguments)
    jobs = [(name, scenario, chosen.vehicles, chosen.seed) for name in chosen.specifications for scenario in SCENARIOS]
    with ProcessPoolExecutor(chosen.processes) as pool:
        parts = list(pool.map(simulate, *zip(*jobs, strict=True)))
    outcomes = [outcome for part in parts for outcome in part]
    sys.stdout.write("\n".join(_report(outcomes, chosen.specifications, chosen)) + "\n")
    return 0


def _report(outcomes: list[Outcome], names: Iterable[str], chosen: argparse.Namespace) -> list[str]:
    lines = [f"{chosen.vehicles} vehicles per scenario and specification, seed {chosen.seed}; 95 % intervals"]
    for name in names:
        own = [o for o in outcomes if o.specification == name]
        lines += ["", f"{name}"] + [mark.line() for mark in marks_of(own)]
        lines += ["  scenario           writes   hand  rounds readings  signed  stopped  asked  named  true"]
        lines += [_scenario_line([o for o in own if o.scenario == s.name]) for s in SCENARIOS]
    main_four = [o for o in outcomes if o.specification in SPECIFICATIONS]
    return [*lines, "", "the four specifications together", *(mark.line() for mark in marks_of(main_four))]


def _scenario_line(outcomes: list[Outcome]) -> str:
    def share(fact: Callable[[Outcome], bool]) -> float:
        return float(np.mean([fact(o) for o in outcomes]))

    signed = [o.truly_within for o in outcomes if o.signed_off]
    return (
        f"  {outcomes[0].scenario:<18} {np.mean([o.counted_writes for o in outcomes]):6.2f} "
        f"{np.mean([o.hand_writes for o in outcomes]):6.2f} {np.mean([o.rounds for o in outcomes]):7.2f} "
        f"{np.mean([o.readings for o in outcomes]):8.1f} {share(lambda o: o.signed_off):7.3f} "
        f"{share(lambda o: o.ended == 'inspect'):8.4f} "
        f"{share(lambda o: o.ended == 'get_approval' or o.approvals > 0):6.3f} "
        f"{share(lambda o: o.named_after_first_write):6.3f} {_mean_or_nan(signed):6.4f}"
    )


def _mean_or_nan(facts: Sequence[bool]) -> float:
    return float(np.mean(facts)) if facts else float("nan")


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


def _share_mark(
    name: str, outcomes: Sequence[Outcome], fact: Callable[[Outcome], bool], limit: float, bound: str = "least"
) -> Mark:
    return share_mark(name, [fact(outcome) for outcome in outcomes], limit, at_least=bound == "least")


def share_mark(name: str, facts: Sequence[bool], limit: float, *, at_least: bool) -> Mark:
    """A share with its Wilson interval."""
    interval = stats.binomtest(sum(facts), len(facts)).proportion_ci(CONFIDENCE, method="wilson")
    return Mark(name, sum(facts) / len(facts), interval.low, interval.high, len(facts), limit, at_least)


def _mean_mark(name: str, values: Sequence[int], limit: float) -> Mark:
    mean, half = float(np.mean(values)), 1.96 * float(np.std(values, ddof=1)) / len(values) ** 0.5
    return Mark(name, mean, mean - half, mean + half, len(values), limit, at_least=False)


def _ratio_mark(name: str, outcomes: Sequence[Outcome], limit: float) -> Mark:
    ours, hand = [o.counted_writes for o in outcomes], [o.hand_writes for o in outcomes]
    return ratio_mark(name, ours, hand, limit)


def ratio_mark(name: str, ours: Sequence[float], theirs: Sequence[float], limit: float) -> Mark:
    """Ratio of means over the same vehicles, with its delta-method interval."""
    over, under = np.array(ours, dtype=float), np.array(theirs, dtype=float)
    ratio = float(over.mean() / under.mean())
    half = 1.96 * float(np.std(over - ratio * under, ddof=1)) / under.mean() / len(under) ** 0.5
    return Mark(name, ratio, ratio - half, ratio + half, len(under), limit, at_least=False)


if __name__ == "__main__":
    sys.exit(main())

"""How long a proposal takes to calculate: `python -m tests.campaigns.planner_time [--cases 4000] [--random-seed 1]`.

Random vehicles as in the brute force; steps up to 30 counts, so that limits bind far from the optimum now and then.
Beside it, on the very same cases, the least that any planner does: the unlimited optimum in fractions of counts, by one
linear solution. Milliseconds of the processor; their ratio is what another machine can compare.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence

import numpy as np

from calibration.metrology.planner import PlanningCase, compute_plan
from calibration.metrology.prediction import quadratic_in_changes
from tests.simulator.planning_cases import random_case

LARGEST_STEP = 30
WARMING_UP = 50
BUDGET_MS = 5.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Print median, 99 % quantile and longest of both."""
    parser = argparse.ArgumentParser(description="How long a proposal takes to calculate.")
    parser.add_argument("--cases", type=int, default=4000)
    parser.add_argument("--random-seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    rng = np.random.default_rng(chosen.random_seed)
    cases = [random_case(rng, largest_step=LARGEST_STEP) for _ in range(WARMING_UP + chosen.cases)]
    bare, plans = milliseconds(solve_in_fractions, cases), milliseconds(compute_plan, cases)
    lines = [
        f"{chosen.cases} cases, random seed {chosen.random_seed}; ms of the processor (budget {BUDGET_MS:g} at 99 %)",
        *(_line(name, taken) for name, taken in (("one linear solution", bare), ("proposal", plans))),
        f"  ratio of medians {np.median(plans) / np.median(bare):.0f}",
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


def solve_in_fractions(case: PlanningCase) -> object:
    """Where the expected sum is least without any limit; a corner that is not controlled has a zero row."""
    quadratic, linear, _constant = quadratic_in_changes(case)
    return np.linalg.lstsq(-2.0 * quadratic, linear)


def milliseconds(work: Callable[[PlanningCase], object], cases: Sequence[PlanningCase]) -> np.ndarray:
    """Of each case after the first ones."""
    taken = []
    for case in cases:
        began = time.process_time_ns()
        work(case)
        taken.append((time.process_time_ns() - began) / 1e6)
    return np.array(taken[WARMING_UP:])


def _line(name: str, taken: np.ndarray) -> str:
    median, high = np.quantile(taken, [0.5, 0.99])
    return f"  {name:<22} median {median:.3f}  99 % {high:.3f}  longest {taken.max():.3f}"


if __name__ == "__main__":
    sys.exit(main())

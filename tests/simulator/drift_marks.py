"""The marks of drift between services: simulated fleets through the filter and the alerts.

    python -m tests.simulator.drift_marks [--vehicles 4000] [--random-seed 20261126]

Checks every 60 ± 20 days (uniform), measurement uncertainty 1.3 mm of which the visit's tape has its share, tolerance
6 mm, corners start with a standard deviation of 1 mm. Fleets without drift are followed for three years a vehicle.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.corners import AXLES, CORNERS
from calibration.metrology.drift_alerts import ALERT_RULES, AlertRules, Fleet, find_alerts
from calibration.metrology.drift_charts import ChartRules
from calibration.metrology.drift_filter import measured
from calibration.metrology.drift_state import DAYS_PER_YEAR, DriftStates, fresh_states
from calibration.metrology.rate_prior import DEFAULT_RATE_PRIOR, RatePrior
from tests.simulator.marks import HEAD, Mark, per_thirty_years, share

Vector = NDArray[np.float64]

VEHICLES = 4000
RANDOM_SEED = 20261126
"""Kept for the table; while tuning other seeds were used."""
INTERVAL_DAYS, INTERVAL_SPREAD_DAYS = 60.0, 20.0
UNCERTAINTY_MM, INSTRUMENT_MM = 1.3, 0.5 / 3**0.5
TOLERANCE_MM, SIDE_LIMIT_MM = 6.0, 8.0
START_SD_MM = 1.0
RATES_MM_PER_YEAR = (4.0, 12.0)
STEP_MM = 8.0
QUIET_YEARS = 3.0
KINDS = ("out_of_tolerance", "trend", "step", "uneven", "overdue", "unsteady")


@dataclass(frozen=True)
class Setting:
    """What the alerts know and go by."""

    prior: RatePrior = DEFAULT_RATE_PRIOR
    rules: AlertRules = ALERT_RULES
    charts: ChartRules | None = None
    level_variance: float = (TOLERANCE_MM / 3.0) ** 2


@dataclass(frozen=True)
class Followed:
    """A fleet followed over its checks: days shape (checks, v); found[kind] of shape (checks, v, places)."""

    days: Vector
    truth: Vector
    found: dict[str, NDArray[np.bool_]]
    states: DriftStates


def check_days(rng: np.random.Generator, vehicles: int, checks: int) -> Vector:
    """Days of the checks, shape (checks, v), the first on day 0."""
    gaps = rng.uniform(
        INTERVAL_DAYS - INTERVAL_SPREAD_DAYS, INTERVAL_DAYS + INTERVAL_SPREAD_DAYS, (checks - 1, vehicles)
    )
    return np.vstack([np.zeros(vehicles), np.cumsum(gaps, axis=0)])


def follow(rng: np.random.Generator, days: Vector, truth: Vector, setting: Setting) -> Followed:
    """Measure a fleet at every check and look for alerts after each; `truth` has shape (checks, v, 4), mm."""
    checks, vehicles = days.shape
    prior = setting.prior
    states = fresh_states(4 * vehicles, prior.mean, prior.variance, setting.level_variance)
    found = {kind: np.zeros((checks, vehicles, len(_places(kind))), dtype=bool) for kind in KINDS}
    own_mm = (UNCERTAINTY_MM**2 - INSTRUMENT_MM**2) ** 0.5
    for check in range(checks):
        tape = rng.normal(0.0, INSTRUMENT_MM, (vehicles, 1))
        heights = truth[check] + tape + rng.normal(0.0, own_mm, (vehicles, 4))
        states = measured(
            states,
            np.repeat(days[check], 4),
            heights.ravel(),
            UNCERTAINTY_MM**2,
            INSTRUMENT_MM**2,
            wander=setting.rules.wander,
            rules=setting.charts,
        )
        for finding in find_alerts(states, _fleet(days, check), 0.0, rules=setting.rules, charts=setting.charts):
            found[finding.kind][check, finding.vehicle, _places(finding.kind).index(finding.place)] = True
    return Followed(days, truth, found, states)


def _fleet(days: Vector, check: int) -> Fleet:
    """Today, day 0, is the moment before each vehicle's next check: as late as this one can be found overdue."""
    vehicles = days.shape[1]
    following = days[min(check + 1, len(days) - 1)]
    return Fleet(
        np.full(4 * vehicles, TOLERANCE_MM),
        np.full((vehicles, 2), SIDE_LIMIT_MM),
        np.full(vehicles, INTERVAL_DAYS),
        days[check] + INTERVAL_DAYS - following,
    )


def _places(kind: str) -> Sequence[str]:
    return {"uneven": AXLES, "overdue": ("",)}.get(kind, CORNERS)


def follow_quiet(random_seed: int, vehicles: int, setting: Setting) -> Followed:
    """A fleet in which nothing drifts."""
    rng = np.random.default_rng((random_seed, 1))
    days = check_days(rng, vehicles, 1 + round(QUIET_YEARS * DAYS_PER_YEAR / INTERVAL_DAYS))
    start = rng.normal(0.0, START_SD_MM, (1, vehicles, 4))
    return follow(rng, days, np.broadcast_to(start, (*days.shape, 4)), setting)


def follow_ramps(random_seed: int, vehicles: int, setting: Setting, onset_days: float = 0.0) -> Followed:
    """A fleet of which one corner a vehicle (FL) drifts at 4 to 12 mm a year either way, from the onset on."""
    rng = np.random.default_rng((random_seed, 2))
    days = check_days(rng, vehicles, 24 + round(onset_days / INTERVAL_DAYS))
    truth = np.broadcast_to(rng.normal(0.0, START_SD_MM, (1, vehicles, 4)), (*days.shape, 4)).copy()
    rate = rng.uniform(*RATES_MM_PER_YEAR, vehicles) * rng.choice([-1.0, 1.0], vehicles)
    truth[:, :, 0] += rate * np.maximum(days - onset_days, 0.0) / DAYS_PER_YEAR
    return follow(rng, days, truth, setting)


def follow_steps(random_seed: int, vehicles: int, setting: Setting) -> tuple[Followed, NDArray[np.intp]]:
    """A fleet of which one corner a vehicle (FL) steps by 8 mm either way, before the check that is named."""
    rng = np.random.default_rng((random_seed, 3))
    days = check_days(rng, vehicles, 13)
    truth = np.broadcast_to(rng.normal(0.0, START_SD_MM, (1, vehicles, 4)), (*days.shape, 4)).copy()
    at = rng.integers(1, 12, vehicles)
    size = STEP_MM * rng.choice([-1.0, 1.0], vehicles)
    truth[:, :, 0] += np.where(np.arange(13)[:, None] >= at, size, 0.0)
    return follow(rng, days, truth, setting), at


def false_alerts(followed: Followed) -> tuple[dict[str, int], float]:
    """How many alerts of each kind were opened, and over how many vehicle-years.

    No job comes in between, so that an alert stays open: one a place and kind.
    """
    opened = {kind: int(found.any(axis=0).sum()) for kind, found in followed.found.items()}
    return opened, float(followed.days[-1].sum() / DAYS_PER_YEAR)


def warned_checks_ahead(followed: Followed, kinds: Sequence[str]) -> NDArray[np.intp]:
    """Checks from the first warning of the drifting corner to the first one at which it is truly outside.

    0 or less: not warned before. The state of being outside is that of the last check where none is.
    """
    outside = np.abs(followed.truth[:, :, 0]) > TOLERANCE_MM
    assert outside[-1].all()
    crossed = outside.argmax(axis=0)
    warned = np.any([followed.found[kind][:, :, 0] for kind in kinds], axis=0)
    first = np.where(warned.any(axis=0), warned.argmax(axis=0), len(warned))
    return np.asarray(crossed - first)


def step_found(followed: Followed, at: NDArray[np.intp], kinds: Sequence[str], within: int = 2) -> NDArray[np.bool_]:
    """Whether the stepping corner was found at one of the first checks after its step."""
    vehicle = np.arange(at.size)
    found = np.any([followed.found[kind][:, :, 0] for kind in kinds], axis=0)
    return np.asarray(np.any([found[at + later, vehicle] for later in range(within)], axis=0))


def marks(vehicles: int, random_seed: int, setting: Setting) -> list[Mark]:
    """Every mark of drift, and what lies behind it."""
    quiet = follow_quiet(random_seed, vehicles, setting)
    began, years = false_alerts(quiet)
    ahead = warned_checks_ahead(ramps := follow_ramps(random_seed, vehicles, setting), KINDS[:3])
    trend = warned_checks_ahead(ramps, ("trend",))
    stepped, at = follow_steps(random_seed, vehicles, setting)
    return [
        per_thirty_years("false alerts of any kind per 30 vehicle-years", sum(began.values()), years),
        *(
            per_thirty_years(f"false alerts per 30 vehicle-years: {kind}", count, years)
            for kind, count in began.items()
        ),
        share("ramps warned of one check before the true crossing", ahead >= 1),
        share("ramps warned of by `trend` one check before", trend >= 1),
        share("ramps warned of two checks before", ahead >= 2),
        share("steps of 8 mm found within two checks", step_found(stepped, at, KINDS[:3])),
        share("steps found within two checks by `step` itself", step_found(stepped, at, ("step",))),
        share("steps found at the first check", step_found(stepped, at, KINDS[:3], within=1)),
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 where a mark is missed."""
    parser = argparse.ArgumentParser(description="The marks of drift between services.")
    parser.add_argument("--vehicles", type=int, default=VEHICLES, help="per fleet")
    parser.add_argument("--random-seed", type=int, default=RANDOM_SEED)
    chosen = parser.parse_args(arguments)
    found = marks(chosen.vehicles, chosen.random_seed, Setting())
    head = f"{chosen.vehicles} vehicles a fleet, random seed {chosen.random_seed}"
    sys.stdout.write("\n".join([head, HEAD, *(mark.line() for mark in found)]) + "\n")
    return 0 if all(mark.met is not False for mark in found) else 1


if __name__ == "__main__":
    sys.exit(main())

"""What a fleet's drift states give rise to: findings of now, vectorised over vehicles, and nothing of history.

Corners come four to a vehicle in the order of `corners.CORNERS`, so that n = 4·v. Every finding carries the values
that it rests on. What becomes of findings over time (one open alert each, updated, resolved) is `alert_life`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .corners import AXLES, CORNERS
from .drift_charts import ChartRules, chart_rules
from .drift_forecast import forecast, leaving_bound, leaving_dates, probability_of_leaving
from .drift_state import DAYS_PER_YEAR, NORMAL_COVERAGE, WANDER, DriftStates, Wander, judged_variance, side_variance
from .errors import MetrologyError

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]
Place = tuple[int, str]
"""A vehicle and a corner of it."""
AlertKind = Literal["out_of_tolerance", "trend", "step", "uneven", "overdue", "unsteady"]

TREND_INTERVALS = 2.0
"""A trend is looked for up to the check after next."""
TREND_PROBABILITY = 0.23
"""Of leaving the tolerance by then. Chosen by simulation."""
TREND_DIRECTION = 0.8
"""Probability that the corner really moves towards the limit it nears: one that stands still near it has no trend."""
OVERDUE_GRACE = 1.0 / 3.0
"""Of the check interval: a check a little late is no alert."""
DATES = ("expected_outside_day", "earliest_outside_day", "latest_outside_day")
"""Figures of a trend that follow from its others."""
KEPT_TO = 1e-6
"""Figures closer than this are the same: alerts keep no more of them."""
NOT_JUDGED_BY = frozenset({"cusum_high", "cusum_low", "prior_rate", "prior_rate_variance"})
"""Columns of the states that only the filter goes on with: no alert rests on them, so they may be nan here."""
CORNER_PLACES: Mapping[str, int] = {corner: place for place, corner in enumerate(CORNERS)}


@dataclass(frozen=True, slots=True, eq=False)
class DistanceDue:
    """The next check by the distance that a vehicle goes: columns of shape (v,), inf where nothing says.

    `at_km` is the odometer at which it is due, `day` when it is estimated to stand there, `interval_days` in how many
    days the vehicle is estimated to go from one check to the next.
    """

    at_km: Vector
    day: Vector
    interval_days: Vector


@dataclass(frozen=True, slots=True, eq=False)
class Fleet:
    """What alerts are judged by: v vehicles, n = 4·v corners.

    `tolerance_mm` shape (n,), `side_limit_mm` shape (v, 2) front and rear, `interval_days` between checks and
    `due_day` of the next one, shape (v,); a vehicle without a check interval has inf in both. A check is due by time
    or by distance, whichever comes first.
    """

    tolerance_mm: Vector
    side_limit_mm: Vector
    interval_days: Vector
    due_day: Vector
    by_distance: DistanceDue | None = None

    def __post_init__(self) -> None:
        vehicles = self.due_day.size
        shapes = (self.tolerance_mm.shape, self.side_limit_mm.shape, self.interval_days.shape, self.due_day.shape)
        if shapes != ((4 * vehicles,), (vehicles, 2), (vehicles,), (vehicles,)):
            raise MetrologyError("shapes", shapes, "(4·v,), (v, 2), (v,) and (v,)")


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is the matter now: `place` is a corner, an axle ("front", "rear") or "" for the vehicle.

    `values` are the figures behind it: mm, mm a year, days, probabilities, as their names say.
    """

    kind: AlertKind
    vehicle: int
    place: str
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class AlertRules:
    """Constants of the decisions."""

    trend_probability: float = TREND_PROBABILITY
    trend_intervals: float = TREND_INTERVALS
    trend_direction: float = TREND_DIRECTION
    overdue_grace: float = OVERDUE_GRACE
    wander: Wander = WANDER


ALERT_RULES = AlertRules()


def find_alerts(
    states: DriftStates,
    fleet: Fleet,
    today: float,
    *,
    rules: AlertRules = ALERT_RULES,
    charts: ChartRules | None = None,
    known_trends: Mapping[Place, Mapping[str, float]] = MappingProxyType({}),
) -> list[Finding]:
    """Everything that is the matter with a fleet today, by kind, then vehicle, then place.

    Parameters
    ----------
    known_trends : mapping, optional
        Values of trends that were found before, by vehicle and corner. A trend that still has the same figures keeps
        its dates: they cost more than all the rest, and follow from the same state.

    Raises
    ------
    MetrologyError
        If states and fleet are not of the same vehicles.

    Source: design, section 8; each kind's own function says the rest.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> fleet = Fleet(np.full(4, 6.0), np.full((1, 2), 12.0), np.array([60.0]), np.array([60.0]))
    >>> states = measured(fresh_states(4), 0.0, np.array([9.0, 0.0, 0.0, 0.0]), 1.0)
    >>> [(found.kind, found.place, round(found.values["level_mm"], 1)) for found in find_alerts(states, fleet, 1.0)]
    [('out_of_tolerance', 'FL', 9.0)]
    """
    if states.level.size != fleet.tolerance_mm.size:
        raise MetrologyError("states", states.level.size, f"{fleet.tolerance_mm.size} corners")
    outside = out_of_tolerance(states, fleet.tolerance_mm)
    by_day = trend_day(states, fleet, intervals=rules.trend_intervals)
    likely = np.where(outside, 0.0, trend_probability(states, by_day, fleet.tolerance_mm, rules=rules))
    return [
        *_corner_findings("out_of_tolerance", states, fleet, outside, {}),
        *_trends(states, fleet, likely, by_day, rules, known_trends),
        *_corner_findings(
            "step",
            states,
            fleet,
            np.isfinite(states.step_mm),
            {"step_mm": states.step_mm, "step_day": states.step_day},
        ),
        *_uneven(states, fleet),
        *_overdue(states, fleet, today, rules),
        *_corner_findings("unsteady", states, fleet, unsteady(states, charts), {"scatter": states.scatter}),
    ]


def out_of_tolerance(states: DriftStates, tolerance_mm: Vector) -> Flags:
    """Where a corner is `outside` by section 3: by its last measurement alone, or by the level that all of them give.

    `|d| - U > tol`, with the measurement's own U, and 1.96 standard deviations of the level. Shapes (n,), mm.

    Source: ILAC-G8:09/2019, guard band w = U.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> states = measured(fresh_states(2), 0.0, np.array([8.1, 7.9]), 1.0)
    >>> out_of_tolerance(states, np.full(2, 6.0)).tolist()
    [True, False]
    """
    variance = judged_variance(states.level_variance, states.instrument_share, states.last_variance)
    by_level = np.abs(states.level) - NORMAL_COVERAGE * np.sqrt(variance) > tolerance_mm
    by_last = np.abs(states.last_mm) - states.last_expanded > tolerance_mm
    return (states.visits > 0) & (by_level | by_last)


def trend_day(states: DriftStates, fleet: Fleet, *, intervals: float = TREND_INTERVALS) -> Vector:
    """The day up to which a trend is looked for, shape (n,): two check intervals after the corner's measurement.

    A vehicle without a check interval has the measurement's own day. It does not move with today's date, so that
    the same records give the same answer whenever they are looked at.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> fleet = Fleet(np.full(4, 6.0), np.full((1, 2), 12.0), np.array([60.0]), np.array([60.0]))
    >>> trend_day(measured(fresh_states(4), 10.0, np.zeros(4), 1.0), fleet).tolist()
    [130.0, 130.0, 130.0, 130.0]
    """
    interval = np.repeat(fleet.interval_days, len(CORNERS))
    return states.day + np.where(np.isfinite(interval), intervals * interval, 0.0)


def trend_probability(
    states: DriftStates, by_day: Vector, tolerance_mm: Vector, *, rules: AlertRules = ALERT_RULES
) -> Vector:
    """Probability of leaving the tolerance by a day, shape (n,); 0 where it is surely no trend.

    That is where a bound stays below the rule's probability, or where the rate does not point, with the rule's
    certainty, to the side at which the corner is expected by then.

    Source: `drift_forecast.probability_of_leaving`.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> states = measured(fresh_states(2, 3.0), 0.0, np.array([5.5, 0.0]), 1.0)
    >>> rules = AlertRules(trend_direction=0.7)
    >>> trend_probability(states, np.full(2, 120.0), np.full(2, 6.0), rules=rules).round(2).tolist()
    [0.65, 0.0]
    """
    likely = np.zeros_like(states.level)
    bound = leaving_bound(states, by_day, tolerance_mm, wander=rules.wander)
    near = np.flatnonzero(
        (bound >= rules.trend_probability) & (_certainty_of_direction(states, by_day) >= rules.trend_direction)
    )
    likely[near] = probability_of_leaving(states.take(near), by_day[near], tolerance_mm[near], wander=rules.wander)
    return likely


def _certainty_of_direction(states: DriftStates, by_day: Vector) -> Vector:
    """Probability that the rate has the sign of the deviation that is expected on a day, shape (n,)."""
    side = np.sign(states.level + states.rate * (by_day - states.day) / DAYS_PER_YEAR)
    with np.errstate(divide="ignore", invalid="ignore"):
        return ndtr(side * states.rate / np.sqrt(states.rate_variance))


def side_differences(states: DriftStates) -> tuple[Vector, Vector]:
    """Left level minus right one and its expanded uncertainty (95 %), mm, shapes (v, 2): front, rear.

    Nan where a side was never measured.

    Source: design, section 3; what is common to both sides of a visit is left out.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> difference, expanded = side_differences(measured(fresh_states(4), 0.0, np.array([5.0, 0.0, 0.0, 0.0]), 1.0))
    >>> difference.tolist(), expanded.round(2).tolist()
    ([[5.0, 0.0]], [[2.77, 2.77]])
    """
    left, right = states.take(slice(0, None, 2)), states.take(slice(1, None, 2))
    known = (left.visits > 0) & (right.visits > 0)
    difference = np.where(known, left.level - right.level, np.nan)
    expanded = np.where(known, NORMAL_COVERAGE * np.sqrt(side_variance(left, right)), np.nan)
    return difference.reshape(-1, 2), expanded.reshape(-1, 2)


def unsteady(states: DriftStates, charts: ChartRules | None = None) -> Flags:
    """Where heights scatter from visit to visit more than their uncertainty explains, shape (n,).

    Source: the sum of squared innovations beyond its decision interval (see `drift_charts`).

    >>> from .drift_state import fresh_states
    >>> unsteady(fresh_states(1)).tolist()
    [False]
    """
    return states.scatter > (charts or chart_rules()).scatter_interval


def _corner_findings(
    kind: AlertKind, states: DriftStates, fleet: Fleet, found: Flags, more: Mapping[str, Vector]
) -> list[Finding]:
    """Findings of one kind with the level and what more there is to say of it."""
    where = np.flatnonzero(found)
    if not where.size:
        return []
    there = states.take(where)
    level, sd = forecast(there, there.day)
    columns = {
        "level_mm": level,
        "expanded_uncertainty_mm": NORMAL_COVERAGE * sd,
        "tolerance_mm": fleet.tolerance_mm[where],
        "last_mm": there.last_mm,
        "rate_mm_per_year": there.rate,
        "measured_day": there.day,
        **{name: column[where] for name, column in more.items()},
    }
    return [
        Finding(
            kind,
            int(corner) // len(CORNERS),
            CORNERS[int(corner) % len(CORNERS)],
            {name: float(column[i]) for name, column in columns.items()},
        )
        for i, corner in enumerate(where)
    ]


def _trends(
    states: DriftStates,
    fleet: Fleet,
    likely: Vector,
    by_day: Vector,
    rules: AlertRules,
    known: Mapping[Place, Mapping[str, float]],
) -> list[Finding]:
    more = {"probability_outside_by_due": likely, "by_day": by_day}
    found = _corner_findings("trend", states, fleet, likely >= rules.trend_probability, more)
    dates_of = {(each.vehicle, each.place): _known_dates(each, known) for each in found}
    undated = [place for place, dates in dates_of.items() if dates is None]
    if undated:
        where = np.array([len(CORNERS) * vehicle + CORNER_PLACES[corner] for vehicle, corner in undated])
        dates = leaving_dates(states.take(where), fleet.tolerance_mm[where], wander=rules.wander)
        columns = zip(*(getattr(dates, name).tolist() for name in ("expected", "earliest", "latest")), strict=True)
        dates_of |= {place: dict(zip(DATES, three, strict=True)) for place, three in zip(undated, columns, strict=True)}
    return [replace(each, values={**each.values, **(dates_of[each.vehicle, each.place] or {})}) for each in found]


def _known_dates(found: Finding, known: Mapping[Place, Mapping[str, float]]) -> Mapping[str, float] | None:
    """The dates known of a trend; None where any of its figures is another now."""
    before = known.get((found.vehicle, found.place))
    if before is None or not before.keys() >= {*found.values, *DATES}:
        return None
    if not all(_is_kept_as(value, before[name]) for name, value in found.values.items()):
        return None
    return {name: before[name] for name in DATES}


def _is_kept_as(value: float, kept: float) -> bool:
    return abs(value - kept) < KEPT_TO or (math.isnan(value) and math.isnan(kept))


def _uneven(states: DriftStates, fleet: Fleet) -> list[Finding]:
    difference, expanded = side_differences(states)
    found = np.abs(difference) - expanded > fleet.side_limit_mm
    return [
        Finding(
            "uneven",
            int(vehicle),
            AXLES[axle],
            {
                "difference_mm": float(difference[vehicle, axle]),
                "expanded_uncertainty_mm": float(expanded[vehicle, axle]),
                "limit_mm": float(fleet.side_limit_mm[vehicle, axle]),
            },
        )
        for vehicle, axle in np.argwhere(found)
    ]


def _overdue(states: DriftStates, fleet: Fleet, today: float, rules: AlertRules) -> list[Finding]:
    """A vehicle whose check is more than a third of an interval late, of time or of distance."""
    with np.errstate(invalid="ignore"):
        late = today > fleet.due_day + rules.overdue_grace * fleet.interval_days
        if fleet.by_distance is not None:
            late |= today > fleet.by_distance.day + rules.overdue_grace * fleet.by_distance.interval_days
    last = states.day.reshape(-1, len(CORNERS)).max(axis=1)
    seen = states.visits.reshape(-1, len(CORNERS)).max(axis=1) > 0
    return [
        Finding(
            "overdue",
            int(vehicle),
            "",
            {
                **_due(fleet, int(vehicle), today),
                "measured_day": float(last[vehicle]) if seen[vehicle] else float("nan"),
            },
        )
        for vehicle in np.flatnonzero(late)
    ]


def _due(fleet: Fleet, vehicle: int, today: float) -> dict[str, float]:
    """What comes first; `due_at_km` only where that is a distance."""
    day, distance, at_km = float(fleet.due_day[vehicle]), fleet.by_distance, {}
    if distance is not None and distance.day[vehicle] < day:
        day, at_km = float(distance.day[vehicle]), {"due_at_km": float(distance.at_km[vehicle])}
    return {"due_day": day, **at_km, "days_late": float(today - day)}

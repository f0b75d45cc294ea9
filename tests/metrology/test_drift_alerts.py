"""Findings of drift: the design's rules (section 8), each with a fleet that shows it and one that does not."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from calibration.metrology.conformity import verdict
from calibration.metrology.drift_alerts import (
    ALERT_RULES,
    NOT_JUDGED_BY,
    AlertRules,
    DistanceDue,
    Finding,
    Fleet,
    find_alerts,
    out_of_tolerance,
    side_differences,
    trend_day,
    trend_probability,
    unsteady,
)
from calibration.metrology.drift_charts import chart_rules
from calibration.metrology.drift_filter import after_write, measured
from calibration.metrology.drift_forecast import leaving_dates, probability_of_leaving
from calibration.metrology.drift_state import DriftStates, fresh_states
from calibration.metrology.errors import MetrologyError

QUIET = (0.0, 0.0, 0.0, 0.0)


def fleet(vehicles: int = 1, *, interval: float = 60.0, due: float = 1e6, side_limit: float = 8.0) -> Fleet:
    return Fleet(
        np.full(4 * vehicles, 6.0),
        np.full((vehicles, 2), side_limit),
        np.full(vehicles, interval),
        np.full(vehicles, due),
    )


def after(*rounds: tuple[float, ...], variance: float = 1.69, instrument: float = 0.083) -> DriftStates:
    """States of one or more vehicles after checks every 60 days."""
    states = fresh_states(len(rounds[0]))
    for number, heights in enumerate(rounds):
        states = measured(states, 60.0 * number, np.array(heights), variance, instrument)
    return states


def kinds(states: DriftStates, today: float = 0.0, of: Fleet | None = None) -> list[tuple[str, int, str]]:
    return [(f.kind, f.vehicle, f.place) for f in find_alerts(states, of or fleet(states.level.size // 4), today)]


def the(kind: str, states: DriftStates, today: float = 0.0, of: Fleet | None = None) -> Finding:
    (found,) = [f for f in find_alerts(states, of or fleet(states.level.size // 4), today) if f.kind == kind]
    return found


def test_a_fleet_in_order_gives_no_findings() -> None:
    assert kinds(after((1.0, -1.0, 0.5, 0.0), (0.5, -1.5, 1.0, 0.3))) == []
    assert kinds(fresh_states(4)) == []


class TestOutOfTolerance:
    @pytest.mark.parametrize("deviation", [-12.0, -8.6, -8.5, -6.0, 0.0, 8.5, 8.6, 12.0])
    def test_one_measurement_is_judged_as_section_3_does(self, deviation: float) -> None:
        states = after((deviation, *QUIET[1:]))
        outside = verdict(deviation, 1.3 * stats.norm.ppf(0.975), 6.0) == "outside"
        assert out_of_tolerance(states, np.full(4, 6.0)).tolist() == [outside, False, False, False]

    @pytest.mark.parametrize("side", [1.0, -1.0])
    def test_the_last_measurements_own_expanded_uncertainty_counts(self, side: float) -> None:
        wide, narrow = (
            measured(fresh_states(1), 0.0, np.array([side * 7.5]), 1.0, expanded_uncertainty_mm=each)
            for each in (1.6, 1.4)
        )
        assert [out_of_tolerance(each, np.full(1, 6.0))[0] for each in (wide, narrow)] == [False, True]

    def test_several_measurements_show_together_what_none_shows_alone(self) -> None:
        states = after(*((7.9, *QUIET[1:]),) * 6)
        assert abs(states.last_mm[0]) - states.last_expanded[0] < 6.0
        assert out_of_tolerance(states, np.full(4, 6.0))[0]

    @pytest.mark.parametrize(("beyond", "outside"), [(-0.01, False), (0.01, True)])
    def test_the_level_of_them_all_is_judged_with_its_own_uncertainty(self, beyond: float, outside: bool) -> None:
        states = after(*(QUIET,) * 6, instrument=0.0)
        expanded = stats.norm.ppf(0.975) * math.sqrt(states.level_variance[0])
        lower = replace(states, level=np.full(4, -6.0 - expanded - beyond))
        assert out_of_tolerance(lower, np.full(4, 6.0)).tolist() == [outside] * 4

    def test_one_tape_for_ever_proves_no_more_than_the_tape(self) -> None:
        heights = ((7.3, *QUIET[1:]),) * 40
        assert out_of_tolerance(after(*heights, instrument=0.0), np.full(4, 6.0))[0]
        assert not out_of_tolerance(after(*heights, instrument=0.5), np.full(4, 6.0))[0]

    def test_once_written_the_old_measurement_says_nothing(self) -> None:
        states = after_write(after((12.0, *QUIET[1:])), np.array([-12.0, np.nan, np.nan, np.nan]), 0.5)
        assert not out_of_tolerance(states, np.full(4, 6.0)).any()

    def test_the_finding_carries_its_values(self) -> None:
        values = the("out_of_tolerance", after((12.0, *QUIET[1:]))).values
        assert values["level_mm"] == values["last_mm"] == 12.0
        assert values["expanded_uncertainty_mm"] == pytest.approx(1.3 * 1.959964)
        assert (values["tolerance_mm"], values["measured_day"], values["rate_mm_per_year"]) == (6.0, 0.0, 0.0)


class TestTrend:
    RAMP = tuple((1.5 * i, 0.0, 0.0, 0.0) for i in range(4))

    def test_a_ramp_is_warned_of_with_its_dates(self) -> None:
        states = after(*self.RAMP)
        assert kinds(states) == [("trend", 0, "FL")]
        values = the("trend", states).values
        corner = states.take(slice(0, 1))
        dates = leaving_dates(corner, 6.0)
        assert values["by_day"] == 180.0 + 120.0
        assert values["probability_outside_by_due"] == probability_of_leaving(corner, 300.0, 6.0)[0]
        assert values["expected_outside_day"] == dates.expected[0]
        assert (values["earliest_outside_day"], values["latest_outside_day"]) == (dates.earliest[0], dates.latest[0])
        assert 180.0 < dates.earliest[0] < dates.expected[0] < dates.latest[0]

    def test_it_is_looked_for_as_far_as_the_check_after_next(self) -> None:
        """With checks twice as often the same ramp is no matter yet."""
        states = after(*self.RAMP)
        assert kinds(states, of=fleet(interval=20.0)) == []
        assert trend_day(states, fleet(interval=20.0)).tolist() == [220.0] * 4
        assert trend_day(states, fleet(interval=math.inf)).tolist() == [180.0] * 4

    def test_a_ramp_downwards_is_warned_of_as_well(self) -> None:
        assert kinds(after(*(tuple(-height for height in heights) for heights in self.RAMP))) == [("trend", 0, "FL")]

    def test_the_rules_say_how_far_ahead_it_is_looked_for(self) -> None:
        (found,) = find_alerts(after(*self.RAMP), fleet(), 0.0, rules=replace(ALERT_RULES, trend_intervals=3.0))
        assert found.values["by_day"] == 180.0 + 180.0

    def test_todays_date_does_not_change_it(self) -> None:
        states = after(*self.RAMP)
        assert the("trend", states, today=180.0) == the("trend", states, today=290.0)

    def test_a_corner_that_stands_still_near_its_limit_has_no_trend(self) -> None:
        states = after(*((5.2, 0.0, 0.0, 0.0),) * 8)
        by_day = trend_day(states, fleet())
        assert probability_of_leaving(states, by_day, 6.0)[0] > ALERT_RULES.trend_probability
        assert trend_probability(states, by_day, np.full(4, 6.0))[0] == 0.0
        assert kinds(states) == []

    def test_a_corner_that_comes_back_has_no_trend(self) -> None:
        assert kinds(after(*((8.0 - 0.6 * i, 0.0, 0.0, 0.0) for i in range(6)))) == []

    def test_the_bound_leaves_out_nothing(self) -> None:
        rng = np.random.default_rng(98)
        states = after(*(tuple(rng.normal(0.0, 3.0, 800)) for _ in range(4)))
        by_day, tolerance = np.full(800, 300.0), np.full(800, 6.0)
        everywhere = probability_of_leaving(states, by_day, tolerance)
        direction = replace(ALERT_RULES, trend_direction=0.0)
        found = trend_probability(states, by_day, tolerance, rules=direction)
        likely = everywhere >= ALERT_RULES.trend_probability
        assert 20 < likely.sum() < 780
        np.testing.assert_array_equal(found[likely], everywhere[likely])
        assert (found[~likely] < ALERT_RULES.trend_probability).all()

    def test_a_corner_outside_already_is_out_of_tolerance_and_no_trend(self) -> None:
        states = after(*((3.0 * i, 0.0, 0.0, 0.0) for i in range(5)))
        assert kinds(states, of=fleet(side_limit=20.0)) == [("out_of_tolerance", 0, "FL")]

    def test_the_rules_say_from_which_probability_on(self) -> None:
        states = after(*self.RAMP)
        likely = the("trend", states).values["probability_outside_by_due"]
        strict = AlertRules(trend_probability=likely + 0.001)
        assert find_alerts(states, fleet(), 0.0, rules=strict) == []
        assert find_alerts(states, fleet(), 0.0, rules=replace(strict, trend_probability=likely)) != []

    @pytest.mark.parametrize(("share", "is_found"), [(0.225, False), (0.235, True)])
    def test_it_is_found_from_a_probability_of_23_percent_on(self, share: float, is_found: bool) -> None:
        states = after(*self.RAMP)
        corner = states.take(slice(0, 1))
        limit = optimize.brentq(lambda mm: probability_of_leaving(corner, 300.0, mm)[0] - share, 3.0, 30.0)
        assert bool(kinds(states, of=replace(fleet(), tolerance_mm=np.full(4, limit)))) is is_found

    @pytest.mark.parametrize(("certainty", "is_likely"), [(0.79, False), (0.81, True)])
    def test_its_direction_is_four_fifths_certain(self, certainty: float, is_likely: bool) -> None:
        there = measured(fresh_states(1), 0.0, np.array([5.9]), 0.01)
        states = replace(there, rate=np.sqrt(there.rate_variance) * stats.norm.ppf(certainty))
        likely = trend_probability(states, np.full(1, 120.0), np.full(1, 6.0))[0]
        assert bool(likely > 0.5) is is_likely


def test_a_step_is_found_and_stays_found() -> None:
    states = after(*(QUIET,) * 4, (0.0, 0.0, -8.5, 0.0), (0.0, 0.0, -8.5, 0.0))
    found = the("step", states)
    assert (found.place, found.values["step_day"]) == ("RL", 240.0)
    assert found.values["step_mm"] == pytest.approx(-8.5, abs=0.8)


class TestUneven:
    def test_a_side_difference_above_its_limit_is_found_at_its_axle(self) -> None:
        states = after(*((0.0, 0.0, 5.5, -5.5),) * 6)
        found = the("uneven", states, of=fleet(side_limit=8.0))
        assert (found.place, found.vehicle) == ("rear", 0)
        assert found.values["difference_mm"] == pytest.approx(11.0, abs=0.3)
        assert found.values["difference_mm"] - found.values["expanded_uncertainty_mm"] > 8.0
        assert found.values["limit_mm"] == 8.0
        assert kinds(after(*((0.0, 0.0, 4.5, -4.5),) * 6)) == []

    def test_its_uncertainty_leaves_out_what_both_sides_share(self) -> None:
        _, expanded = side_differences(after((1.0, 2.0, 3.0, 4.0), instrument=0.5))
        assert expanded.tolist() == [[pytest.approx(1.959964 * math.sqrt(2.0 * (1.69 - 0.5)))] * 2]

    def test_one_unmeasured_side_has_no_difference(self) -> None:
        difference, expanded = side_differences(after((9.0, np.nan, 3.0, 1.0)))
        assert np.isnan([difference[0, 0], expanded[0, 0]]).all()
        assert difference[0, 1] == 2.0

    def test_each_vehicle_and_axle_has_its_own(self) -> None:
        difference, _ = side_differences(after((1.0, 0.0, 0.0, 2.0, 5.0, 2.0, 9.0, 2.0)))
        assert difference.tolist() == [[1.0, -2.0], [3.0, 7.0]]


class TestOverdue:
    def test_a_check_may_be_a_third_of_its_interval_late(self) -> None:
        states, of = after(QUIET), fleet(due=60.0)
        assert kinds(states, 80.0, of) == []
        found = the("overdue", states, 80.5, of)
        assert (found.place, dict(found.values)) == ("", {"due_day": 60.0, "days_late": 20.5, "measured_day": 0.0})

    def test_the_last_measured_corner_is_the_vehicles_last_measurement(self) -> None:
        states = after(QUIET, (0.0, np.nan, np.nan, np.nan))
        assert the("overdue", states, 200.0, fleet(due=120.0)).values["measured_day"] == 60.0

    def test_one_that_was_never_measured_has_no_day_of_measurement(self) -> None:
        assert math.isnan(the("overdue", fresh_states(4), 90.0, fleet(due=60.0)).values["measured_day"])

    def test_a_vehicle_without_an_interval_is_never_overdue(self) -> None:
        assert kinds(after(QUIET), 1e5, fleet(interval=math.inf, due=math.inf)) == []

    def test_distance_counts_where_it_comes_first(self) -> None:
        states, at_km = after(QUIET), 30_000.0

        def of(day: float, due: float = 1000.0) -> Fleet:
            by_distance = DistanceDue(np.array([at_km]), np.array([day]), np.array([60.0]))
            return replace(fleet(interval=300.0, due=due), by_distance=by_distance)

        assert kinds(states, 80.0, of(60.0)) == []
        found = the("overdue", states, 80.5, of(60.0)).values
        assert found == {"due_day": 60.0, "due_at_km": at_km, "days_late": 20.5, "measured_day": 0.0}
        assert kinds(states, 80.5, of(math.inf)) == [], "the seeded fault: no distance known"
        by_time = the("overdue", states, 500.0, of(350.0, due=300.0)).values
        assert (by_time["due_day"], "due_at_km" in by_time) == (300.0, False)


class TestKnownTrends:
    def trend(self) -> tuple[DriftStates, Finding]:
        states = after(*TestTrend.RAMP)
        return states, the("trend", states)

    def found(self, states: DriftStates, known: dict[tuple[int, str], dict[str, float]]) -> Finding:
        (found,) = [each for each in find_alerts(states, fleet(), 0.0, known_trends=known) if each.kind == "trend"]
        return found

    def test_one_with_the_same_figures_keeps_its_dates(self) -> None:
        states, trend = self.trend()
        kept = {**{name: round(value, 6) for name, value in trend.values.items()}, "expected_outside_day": 777.0}
        assert self.found(states, {(0, "FL"): kept}).values["expected_outside_day"] == 777.0
        assert self.found(states, {(0, "FR"): kept}) == trend, "another corner's"

    def test_a_figure_that_is_not_known_is_the_same_while_it_stays_unknown(self) -> None:
        states, trend = self.trend()
        unread = replace(states, last_mm=np.full(4, np.nan))
        kept = {**trend.values, "last_mm": math.nan, "expected_outside_day": 777.0}
        assert self.found(unread, {(0, "FL"): kept}).values["expected_outside_day"] == 777.0
        assert self.found(states, {(0, "FL"): kept}) == trend
        assert self.found(unread, {(0, "FL"): {**kept, "last_mm": 4.0}}).values["expected_outside_day"] != 777.0

    @pytest.mark.parametrize("name", ["level_mm", "rate_mm_per_year", "probability_outside_by_due", "measured_day"])
    def test_one_with_other_figures_is_dated_anew(self, name: str) -> None:
        states, trend = self.trend()
        kept = {**trend.values, name: trend.values[name] + 0.001, "expected_outside_day": 777.0}
        assert self.found(states, {(0, "FL"): kept}) == trend
        assert self.found(states, {(0, "FL"): {"level_mm": trend.values["level_mm"]}}) == trend, "an incomplete one"


def test_no_alert_rests_on_what_a_sweep_does_not_read() -> None:
    rng = np.random.default_rng(5)
    states = after(*(tuple(rng.normal(0.0, 4.0, 400)) for _ in range(5)))
    unread = replace(states, **dict.fromkeys(sorted(NOT_JUDGED_BY), np.full(400, np.nan)))
    assert len(find_alerts(states, fleet(100, due=0.0), 200.0)) > 100
    assert repr(find_alerts(unread, fleet(100, due=0.0), 200.0)) == repr(
        find_alerts(states, fleet(100, due=0.0), 200.0)
    )


def test_heights_that_scatter_beyond_their_uncertainty_are_unsteady() -> None:
    wild = after(*((4.5 * (-1) ** i, 0.0, 0.0, 0.0) for i in range(14)))
    assert unsteady(wild).tolist() == [True, False, False, False]
    assert the("unsteady", wild).values["scatter"] == wild.scatter[0]
    nearly = replace(wild, scatter=np.full(4, chart_rules().scatter_interval))
    assert not unsteady(nearly).any()
    assert not unsteady(wild, replace(chart_rules(), scatter_interval=1e9)).any()


def test_findings_name_the_vehicle_and_the_corner() -> None:
    states = after((0.0,) * 4 + (0.0, 0.0, 0.0, 12.0) + (0.0, -12.0, 0.0, 0.0))
    assert kinds(states, of=fleet(3, side_limit=20.0)) == [("out_of_tolerance", 1, "RR"), ("out_of_tolerance", 2, "FR")]


def test_states_of_another_fleet_are_refused() -> None:
    with pytest.raises(MetrologyError, match="states"):
        find_alerts(after(QUIET), fleet(2), 0.0)
    with pytest.raises(MetrologyError, match="shapes"):
        Fleet(np.zeros(4), np.zeros((1, 4)), np.zeros(1), np.zeros(1))


def test_the_rate_must_point_outwards_with_the_certainty_of_the_rule() -> None:
    """Rate over its standard deviation, by SciPy's normal distribution."""
    states = after(*((1.0 * i, 0.0, 0.0, 0.0) for i in range(4)))
    certainty = float(stats.norm.cdf(states.rate[0] / math.sqrt(states.rate_variance[0])))
    assert abs(math.sqrt(states.rate_variance[0]) - 1.0) > 0.5
    for threshold, is_looked_at in ((certainty - 0.001, True), (certainty + 0.001, False)):
        rules = AlertRules(trend_probability=0.0, trend_direction=threshold)
        found = trend_probability(states, np.full(4, 400.0), np.full(4, 6.0), rules=rules)[0]
        assert bool(found > 0) is is_looked_at


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_corner_that_is_about_to_cross_to_the_other_side_is_a_trend(side: float) -> None:
    """Where it will be by that day counts, not where it is: a millimetre below its target, rising 12 mm a year."""
    states = measured(fresh_states(1, side * 12.0, 1.0), 0.0, np.array([side * -1.0]), 1.0)
    assert trend_probability(states, np.full(1, 365.25), np.full(1, 6.0))[0] > 0.99
    assert trend_probability(states, np.full(1, 20.0), np.full(1, 6.0))[0] == 0.0

"""What the calculations refuse: the error names the argument and shows its value. Rules: each function's own."""

from __future__ import annotations

import ast
import math
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from calibration.metrology.alert_life import StandingAlert, alert_changes
from calibration.metrology.assessment import assess
from calibration.metrology.attitude import floor_effect, modes, warp_budget
from calibration.metrology.conformity import conformance_probability, verdict
from calibration.metrology.consequences import (
    BodyGeometry,
    BodyPosition,
    breakover_angle_deg,
    clearance_angle_deg,
    consequences,
    follow_ups,
    inclination_change_pct,
    static_stability_factor,
)
from calibration.metrology.drift_alerts import Finding, Fleet, find_alerts
from calibration.metrology.drift_charts import chart_rules, scatter_reference_value
from calibration.metrology.drift_filter import after_write, measured, predicted, retargeted
from calibration.metrology.drift_forecast import leaving_bound, leaving_dates, probability_of_leaving
from calibration.metrology.drift_state import Wander, fresh_states, states_from_table
from calibration.metrology.errors import MetrologyError
from calibration.metrology.gauge_study import study
from calibration.metrology.integer_quadratic import IntegerQuadratic
from calibration.metrology.leak import (
    ParkedHeights,
    assess_leak,
    sinking_verdict,
    thermal_change_mm,
    thermal_components,
)
from calibration.metrology.limits import check_limits
from calibration.metrology.model_response import axle_draws, model_axle
from calibration.metrology.pooling import RoundMeasurement, pool_corner
from calibration.metrology.random_effects import Default, population
from calibration.metrology.reading_history import (
    ReadingGroup,
    by_period,
    rate_interval,
    standard_deviation_interval,
)
from calibration.metrology.readings import (
    Repeatability,
    RepeatabilityState,
    estimate,
    largest_repeatability,
    repeat_limit_mm,
    repeatability,
    with_group,
)
from calibration.metrology.response import JointState, follow_job, prior_from_specification
from calibration.metrology.run_length import decision_interval, markov_run_length, one_sided_run_length
from calibration.metrology.tyre import (
    arch_clearance_mm,
    axle_load,
    circumference_mismatch,
    difference,
    hub_rise_mm,
    speed_reading,
)
from calibration.metrology.uncertainty import (
    Budget,
    CalibrationCertificate,
    Component,
    Instrument,
    change_budget,
    coverage_factor,
    maximum_permissible_error_mm,
    side_difference_budget,
)
from tests.metrology.builders import LINKED_REAR, REAR, REAR_ONLY, SPECIFICATION, TAPE, round_off_by
from tests.metrology.test_planner import case_off_by

if TYPE_CHECKING:
    from collections.abc import Callable

PACKAGE = Path(verdict.__code__.co_filename).parent

ROUND = round_off_by((0, 0, 0, 0))
PART = Component("repeatability", 1.0, 8)
OTHER_PART = Component("resolution", 0.3)
BODY: dict[str, Any] = {"wheelbase_mm": 2885.0, "track_front_mm": 1605.0, "track_rear_mm": 1613.0}
LOWERED = consequences(BodyGeometry(**BODY), BodyPosition((0.0,) * 4), BodyPosition((-9.0,) * 4))
THREE = (1.0, 2.0, 3.0)
STATES = measured(fresh_states(1), 10.0, np.array([0.0]), 1.0)
LACKING: dict[str, Any] = dict.fromkeys(("setpoint_low", "setpoint_high", "response_mm_per_count", "response_sd"))
ALERT = StandingAlert("trend", 7, "FL", 100.0, {"level_mm": 4.0})
FOUND = Finding("trend", 7, "FL", {"level_mm": 4.0})
SQUARE: dict[str, Any] = {
    "quadratic": np.eye(2),
    "linear": np.zeros(2),
    "low": np.array([-5.0, -5.0]),
    "high": np.array([5.0, 5.0]),
    "weights": np.ones(2),
    "limit": 3.0,
}
LOW, HIGH, NO_BOWL = np.array([6.0, -5.0]), SQUARE["high"], np.diag([1.0, -1.0])
NOT_FINITE = np.full((2, 2, 2), math.inf)
ONE = np.ones(1)
PRIOR = prior_from_specification(SPECIFICATION)
UNKNOWN = JointState(np.zeros(8), np.eye(8), (100, 100, 100, 100))
NO_WEIGHT = Default(0.0, 1.0, 0.0, 0.0)
JANUARY, FEBRUARY = (ReadingGroup(month, (500.0, 501.0)) for month in ("01", "02"))


class AsShown(str):
    """The text that a value is shown by, where the value itself cannot be made."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


Case = tuple[str, Any, "Callable[[], object]"]

READINGS: list[Case] = [
    ("standard_deviation_mm", 0.0, lambda: Repeatability(0.0, 8)),
    ("degrees_of_freedom", 0.5, lambda: Repeatability(1.0, 0.5)),
    ("repeatabilities", (), lambda: largest_repeatability([])),
    ("readings", 21, lambda: repeat_limit_mm(1.0, 1.0, 21)),
    ("resolution_mm", 0.0, lambda: repeat_limit_mm(1.0, 0.0)),
    ("resolution_mm", -1.0, lambda: repeatability(RepeatabilityState(), -1.0)),
    ("readings_mm", (), lambda: estimate([], 1.0, 1.0)),
    ("readings_mm", (500.0,), lambda: with_group(RepeatabilityState(), [500.0], 1.0)),
    ("readings_mm", (500.0, math.inf), lambda: estimate([500.0, math.inf], 1.0, 1.0)),
    ("standard_deviation", -1.0, lambda: standard_deviation_interval(-1.0, 8)),
    ("degrees_of_freedom", 0, lambda: standard_deviation_interval(1.0, 0)),
    ("confidence", 1.0, lambda: standard_deviation_interval(1.0, 8, 1.0)),
    ("confidence", 0.0, lambda: rate_interval(1, 2, 0.0)),
    ("trials", 0, lambda: rate_interval(0, 0)),
    ("events", 3, lambda: rate_interval(3, 2)),
    ("groups", "01", lambda: by_period([JANUARY, FEBRUARY, JANUARY], 1.0)),
]

UNCERTAINTY: list[Case] = [
    ("standard_uncertainty_mm", -1.0, lambda: Component("a", -1.0)),
    ("degrees_of_freedom", 0.0, lambda: Component("a", 1.0, 0.0)),
    ("expanded_uncertainty_mm", -0.1, lambda: CalibrationCertificate(-0.1, 2.0)),
    ("coverage_factor", 0.0, lambda: CalibrationCertificate(0.1, 0.0)),
    ("resolution_mm", 0.0, lambda: Instrument("T1", 0.0, "II")),
    ("accuracy_class", "IV", lambda: maximum_permissible_error_mm("IV", 742)),  # type: ignore[arg-type]
    ("length_mm", 0, lambda: maximum_permissible_error_mm("II", 0)),
    ("degrees_of_freedom", 0.9, lambda: coverage_factor(0.9)),
    ("probability", 1.0, lambda: coverage_factor(5, 1.0)),
    ("components", ["resolution"], lambda: side_difference_budget(Budget((PART,)), Budget((OTHER_PART,)))),
    ("components", [], lambda: change_budget(Budget((PART,)), Budget(()), same_instrument=True)),
    ("readings_mm", THREE, lambda: RoundMeasurement(THREE, ROUND.repeatability, (TAPE,))),  # type: ignore[arg-type]
    ("instruments", (), lambda: replace(ROUND, instruments=())),
    ("corner_rounds", (), lambda: pool_corner([], 1.5)),
    ("settling_mm", -0.1, lambda: pool_corner([ROUND], -0.1)),  # type: ignore[list-item]
]

VERDICTS: list[Case] = [
    ("limit_mm", -6.0, lambda: verdict(0.0, 1.0, -6.0)),
    ("expanded_uncertainty_mm", -1.0, lambda: verdict(0.0, -1.0, 6.0)),
    ("limit_mm", -6.0, lambda: conformance_probability(0.0, 1.0, -6.0)),
    ("standard_uncertainty_mm", -1.0, lambda: conformance_probability(0.0, -1.0, 6.0)),
    ("targets_mm", THREE, lambda: assess([ROUND], SPECIFICATION, targets_mm=THREE)),
    ("deviations_mm", THREE, lambda: modes(THREE)),
    ("pad_levels_mm", THREE, lambda: floor_effect(THREE, SPECIFICATION)),
    ("budgets", [("repeatability",)], lambda: warp_budget([Budget((PART,))] * 3)),
    ("front axle", (None, None, None, None), lambda: replace(SPECIFICATION, front=replace(REAR, **LACKING))),
    ("tolerance_mm", 0.0, lambda: study(np.ones((2, 2, 2)), 0.0)),
    ("values_mm", (2, 2), lambda: study(np.ones((2, 2)))),
    ("values_mm", NOT_FINITE, lambda: study(NOT_FINITE)),
]

BODIES: list[Case] = [
    *((name, 0.0, partial(BodyGeometry, **(BODY | {name: 0.0}))) for name in BODY),
    ("cg_height_mm", -1.0, lambda: BodyGeometry(**BODY, cg_height_mm=-1.0)),
    ("track_mm", 0, lambda: static_stability_factor(0, 720)),
    ("cg_height_mm", 0, lambda: static_stability_factor(1600, 0)),
    ("distance_mm", 0, lambda: clearance_angle_deg(0, 250, 350)),
    ("height_mm", -1, lambda: clearance_angle_deg(700, -1, 350)),
    ("tyre_radius_mm", 0, lambda: clearance_angle_deg(700, 250, 0)),
    ("distance_mm", 200, lambda: clearance_angle_deg(200, 250, 350)),
    ("wheelbase_mm", 0, lambda: breakover_angle_deg(0, 150, 350)),
    ("wheelbase_mm", -1, lambda: inclination_change_pct(10, -1)),
    ("tolerances_mm", THREE, lambda: follow_ups(LOWERED, THREE)),
    (
        "expanded_uncertainty_mm",
        THREE,
        lambda: follow_ups(LOWERED, (6.0,) * 4, expanded_uncertainty_mm=THREE),
    ),
    ("diameter_mm", 0, lambda: difference(0, 2, 3, 4)),
    ("circumference_mm", 0, lambda: difference(1, 0, 3, 4)),
    ("reference_diameter_mm", 0, lambda: difference(1, 2, 0, 4)),
    ("reference_circumference_mm", 0, lambda: difference(1, 2, 3, 0)),
    ("true_km_h", 0, lambda: speed_reading(0, 2000, 2000)),
    ("circumference_mm", 0, lambda: speed_reading(80, 0, 2000)),
    ("reference_circumference_mm", 0, lambda: speed_reading(80, 2000, 0)),
    ("overreading_pct", -100, lambda: speed_reading(80, 2000, 2000, overreading_pct=-100)),
    ("left_capacity_kg", 0, lambda: axle_load(0, 900, 1500)),
    ("right_capacity_kg", 0, lambda: axle_load(900, 0, 1500)),
    ("load_kg", 0, lambda: axle_load(900, 900, 0)),
    ("circumferences_mm", THREE, lambda: circumference_mismatch(THREE)),
    ("reference_diameter_mm", 0, lambda: hub_rise_mm((700,) * 4, 0)),
    ("diameters_mm", THREE, lambda: hub_rise_mm(THREE, 700)),
    ("heights_mm", THREE, lambda: arch_clearance_mm(THREE, (700,) * 4)),
    ("diameters_mm", THREE, lambda: arch_clearance_mm((486,) * 4, THREE)),
]

LEAKS: list[Case] = [
    ("hours", math.inf, lambda: ParkedHeights(math.inf, ROUND)),
    ("temperature_deg_c", 293.15, lambda: ParkedHeights(0.0, ROUND, 293.15)),
    ("rate", math.inf, lambda: sinking_verdict(math.inf, 0.5, 1.0)),
    ("expanded_uncertainty", -0.5, lambda: sinking_verdict(0.0, -0.5, 1.0)),
    ("limit", -1.0, lambda: sinking_verdict(0.0, 0.5, -1.0)),
    (
        "end.hours",
        1.0,
        lambda: assess_leak(
            ParkedHeights(1.0, ROUND), ParkedHeights(1.0, ROUND), limit_mm_per_h=1.0, air_column_mm=300
        ),
    ),
    *(
        each
        for function in (thermal_change_mm, thermal_components)
        for each in (
            ("start_deg_c", -273.15, partial(function, 300, -273.15, 20)),
            ("end_deg_c", -273.15, partial(function, 300, 20, -273.15)),
            ("air_column_mm", 0, partial(function, 0, 20, 20)),
        )
    ),
]

PLANS: list[Case] = [
    ("changes of FL", 5, lambda: check_limits(rear_only(), (5, 0, 0, 0), kind="entered")),
    (
        "changes of RL",
        5,
        lambda: check_limits(case_off_by((0, 0, 0, 0), LINKED_REAR), (0, 0, 5, 4), kind="entered"),
    ),
    ("baseline of RR", None, lambda: case_off_by((0, 0, 0, 0), baseline=(100, 100, 100, None))),
    (
        "state.setpoints of FL",
        100,
        lambda: case_off_by((0, 0, 0, 0), REAR_ONLY, setpoints=(100, None, 100, 100)),
    ),
    ("history", [], lambda: follow_job(PRIOR, [])),
    (
        "prior",
        np.diag(PRIOR.covariance).tolist(),
        lambda: axle_draws(REAR_ONLY, PRIOR, UNKNOWN),
    ),
    ("axle", "front", lambda: model_axle(REAR_ONLY, "front", [])),
    ("linear", 5, lambda: IntegerQuadratic(**(SQUARE | {"linear": np.zeros(5)}))),
    ("low, high", (LOW, HIGH), lambda: IntegerQuadratic(**(SQUARE | {"low": LOW}))),
    ("limit", -1.0, lambda: IntegerQuadratic(**(SQUARE | {"limit": -1.0}))),
    ("quadratic", NO_BOWL, lambda: IntegerQuadratic(**(SQUARE | {"quadratic": NO_BOWL}))),
    ("estimates", (1,), lambda: population(ONE, np.ones(2), NO_WEIGHT)),
    ("variances", [-1.0], lambda: population(ONE, -ONE, NO_WEIGHT)),
    ("between_factors", [0.0], lambda: population(ONE, ONE, NO_WEIGHT, np.zeros(1))),
    ("default", AsShown("Default(mean=0.0, sd=0.0, draws=1.0, freedom=1.0)"), lambda: Default(0.0, 0.0, 1.0, 1.0)),
    ("estimates", [], lambda: population(np.array([]), np.array([]), NO_WEIGHT)),
]

DRIFT: list[Case] = [
    ("level", -1.0, lambda: Wander(-1.0, 0.5)),
    ("rate", -1.0, lambda: Wander(0.1, -1.0)),
    ("innovation_limit", 0.0, lambda: Wander(0.1, 0.5, 0.0)),
    ("table", (2, 3), lambda: states_from_table(np.zeros((2, 3)))),
    ("prior_rate_variance", -1.0, lambda: fresh_states(1, 0.0, -1.0)),
    ("prior_level_variance", 0.0, lambda: fresh_states(1, 0.0, 1.0, 0.0)),
    ("day", 9.0, lambda: predicted(STATES, 9.0)),
    ("deviation_mm", math.inf, lambda: measured(STATES, 20.0, np.array([-math.inf]), 1.0)),
    ("variance_mm2", [0.0], lambda: measured(STATES, 20.0, np.zeros(1), 0.0)),
    ("instrument_variance_mm2", [1.5], lambda: measured(STATES, 20.0, np.zeros(1), 1.0, 1.5)),
    ("change_variance_mm2", [-1.0], lambda: after_write(STATES, np.ones(1), -1.0)),
    ("change_mm", [math.inf], lambda: retargeted(STATES, np.array([math.inf]))),
    ("tolerance_mm", -1.0, lambda: probability_of_leaving(STATES, 20.0, -1.0)),
    ("tolerance_mm", -2.0, lambda: leaving_bound(STATES, 20.0, np.array([6.0, -2.0]))),
    ("tolerance_mm", -1.0, lambda: leaving_dates(STATES, -1.0)),
    *(
        (name, -1.0, partial(chart_rules, **{name: -1.0}))
        for name in (
            "step_reference",
            "vehicle_years_per_false_step",
            "vehicle_years_per_false_scatter",
            "checks_per_year",
        )
    ),
    ("ratio", 1.0, lambda: scatter_reference_value(1.0)),
    ("reference_value", -0.5, lambda: one_sided_run_length(-0.5, 3.0)),
    ("decision_interval", -3.0, lambda: one_sided_run_length(0.5, -3.0)),
    ("decision_interval", 0.0, lambda: markov_run_length(lambda x: x, 0.0)),
    ("wanted", 0.5, lambda: decision_interval(lambda h: 1.0 + h, 0.5)),
    ("wanted", 1000.0, lambda: decision_interval(lambda h: 1.0 + h, 1000.0)),
    (
        "shapes",
        ((4,), (1, 4), (1,), (1,)),
        lambda: Fleet(np.zeros(4), np.zeros((1, 4)), np.zeros(1), np.zeros(1)),
    ),
    (
        "states",
        1,
        lambda: find_alerts(STATES, Fleet(np.zeros(4), np.zeros((1, 2)), np.zeros(1), np.zeros(1)), 0.0),
    ),
    ("standing", (7, "trend", "FL"), lambda: alert_changes([ALERT, ALERT], [], {})),
    ("findings", (7, "trend", "FL"), lambda: alert_changes([], [FOUND, FOUND], {})),
]

CASES = [*READINGS, *UNCERTAINTY, *VERDICTS, *BODIES, *LEAKS, *PLANS, *DRIFT]


def rear_only() -> Any:
    return case_off_by((0, 0, 0, 0), REAR_ONLY, setpoints=(None, None, 100, 100))


def refusal(call: Callable[[], object]) -> pytest.ExceptionInfo[MetrologyError]:
    with pytest.raises(MetrologyError) as caught:
        call()
    return caught


@pytest.mark.parametrize(("argument", "value", "call"), CASES, ids=[f"{i}-{each[0]}" for i, each in enumerate(CASES)])
def test_the_error_names_the_argument_its_value_and_what_is_allowed(
    argument: str, value: object, call: Callable[[], object]
) -> None:
    refused = refusal(call).value
    assert (refused.argument, repr(refused.value)) == (argument, repr(value))
    assert isinstance(refused.allowed, str)
    assert refused.allowed


def raised_at(call: Callable[[], object]) -> tuple[str, int]:
    place = refusal(call).traceback[-1]
    return Path(place.path).name, place.lineno + 1


def refusals_in_source() -> set[tuple[str, int]]:
    return {
        (path.name, node.lineno)
        for path in PACKAGE.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Raise) and "MetrologyError(" in ast.unparse(node)
    }


def test_every_refusal_of_the_package_is_among_these() -> None:
    assert {raised_at(call) for _, _, call in CASES} == refusals_in_source()

"""When a check is due by the distance gone: an estimate from odometer readings."""

from __future__ import annotations

import math

import pytest

from calibration.rules.check_due import NOT_BY_DISTANCE, OdometerReading, due_by_distance


def readings(*given: tuple[float, float]) -> list[OdometerReading]:
    return [OdometerReading(*each) for each in given]


STEADY = readings((0.0, 10_000.0), (100.0, 20_000.0))


def test_beyond_the_last_reading_it_goes_on_as_between_the_last_two() -> None:
    found = due_by_distance([*readings((-100.0, 9_999.0)), *STEADY], 100.0, 5_000.0)
    assert (found.at_km, found.day, found.interval_days) == (25_000.0, 150.0, 50.0)


def test_a_measurement_between_readings_is_where_the_line_between_them_is() -> None:
    assert due_by_distance(STEADY, 50.0, 2_000.0).at_km == 17_000.0
    assert due_by_distance(STEADY, 50.0, 2_000.0).day == pytest.approx(70.0), "it is there already"


def test_a_measurement_before_the_first_reading_counts_from_it() -> None:
    assert due_by_distance(STEADY, -30.0, 2_000.0).at_km == 12_000.0


def test_a_measurement_after_the_last_reading_counts_from_the_estimate() -> None:
    assert due_by_distance(STEADY, 120.0, 2_000.0).at_km == 24_000.0


@pytest.mark.parametrize(
    "given",
    [
        [],
        readings((0.0, 10_000.0)),
        readings((0.0, 10_000.0), (6.9, 20_000.0)),
        readings((0.0, 10_000.0), (100.0, 10_000.0)),
        readings((0.0, 10_000.0), (100.0, 5_000.0)),
    ],
    ids=["none", "one", "within a week", "stood still", "another odometer"],
)
def test_nothing_is_said_where_no_two_readings_tell(given: list[OdometerReading]) -> None:
    assert due_by_distance(given, 0.0, 1_000.0) == NOT_BY_DISTANCE


def test_nothing_is_due_without_an_interval() -> None:
    assert due_by_distance(STEADY, 50.0, math.inf) == NOT_BY_DISTANCE


def test_readings_before_a_fall_do_not_count() -> None:
    given = [*STEADY, *readings((110.0, 5.0), (210.0, 1_005.0))]
    found = due_by_distance(given, 210.0, 1_000.0)
    assert (found.at_km, found.day) == (2_005.0, 310.0)


def test_two_readings_of_one_visit_do_not_make_a_day_count() -> None:
    given = [*STEADY, *readings((100.5, 20_100.0))]
    assert due_by_distance(given, 100.0, 5_000.0).interval_days == pytest.approx(5_000.0 / (10_100.0 / 100.5))

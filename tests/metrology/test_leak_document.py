"""A leak test's result under its public names."""

from __future__ import annotations

import json

from calibration.metrology.leak import LeakTest, ParkedHeights, assess_leak
from calibration.metrology.leak_document import leak_as_dict
from calibration.metrology.pooling import RoundMeasurement
from calibration.metrology.readings import Repeatability
from tests.metrology.builders import TAPE


def parked(hours: float, heights_mm: tuple[float, ...], deg_c: float | None) -> ParkedHeights:
    readings = tuple((height,) * 2 for height in heights_mm)
    return ParkedHeights(hours, RoundMeasurement(readings, Repeatability(1.0, 12), (TAPE,)), deg_c)


def leak_of(hours: float, sunk_mm: float, *, limit: float | None = 1.0) -> LeakTest:
    start = parked(0.0, (486.0, 486.0, 504.0, 504.0), 20.0)
    end = parked(hours, (486.0 - sunk_mm, 486.0, 504.0, 504.0), 10.0)
    return assess_leak(start, end, limit_mm_per_h=limit, air_column_mm=300.0)


def test_numbers_are_rounded_once_and_the_parts_keep_their_names() -> None:
    found = leak_as_dict(leak_of(7.0, 31.0), limit_mm_per_h=1.0, air_column_mm=300.0)
    # Charles: −300·(1 − 283.15/293.15) = −10.2337 mm; (31 − 10.2337)/7 = 2.9666 mm/h.
    corner = found["corners"]["FL"]
    assert (corner["change_mm"], corner["thermal_change_mm"], corner["rate_mm_per_h"]) == (-31.0, -10.23, 2.967)
    assert (found["verdict"], corner["verdict"], found["corners"]["FR"]["rose"]) == ("outside", "outside", True)
    assert (found["hours"], found["limit_mm_per_h"], found["air_column_mm"]) == (7.0, 1.0, 300.0)
    assert {part["component"] for part in corner["budget"]} >= {"repeatability"}
    assert list(found["corners"]) == ["FL", "FR", "RL", "RR"]
    json.dumps(found, allow_nan=False)


def test_what_is_not_known_is_null() -> None:
    unlimited = leak_as_dict(leak_of(2.0, 4.0, limit=None), limit_mm_per_h=None, air_column_mm=300.0)
    assert (unlimited["verdict"], unlimited["corners"]["FL"]["verdict"], unlimited["hours_to_decide"]) == (None,) * 3


def test_an_undecided_test_says_how_long_would_decide() -> None:
    found = leak_as_dict(leak_of(1.0, 11.0), limit_mm_per_h=1.0, air_column_mm=300.0)
    assert found["corners"]["FL"]["verdict"] == "undecided"
    assert found["corners"]["FL"]["hours_to_decide"] == round(found["corners"]["FL"]["hours_to_decide"], 2) > 1.0


def test_every_figure_is_shown_under_its_name() -> None:
    test = leak_of(1.0, 11.0)
    found = leak_as_dict(test, limit_mm_per_h=1.0, air_column_mm=300.0)
    assert found.keys() == {
        "hours",
        "verdict",
        "hours_to_decide",
        "temperature_corrected",
        "limit_mm_per_h",
        "air_column_mm",
        "corners",
    }
    assert (found["hours_to_decide"], found["temperature_corrected"]) == (round(test.hours_to_decide or 0, 2), True)
    for shown, corner in zip(found["corners"].values(), test.corners, strict=True):
        assert shown == {
            "change_mm": round(corner.change_mm, 2),
            "thermal_change_mm": round(corner.thermal_change_mm, 2),
            "rate_mm_per_h": round(corner.rate_mm_per_h, 3),
            "expanded_uncertainty_mm_per_h": round(corner.expanded_uncertainty_mm_per_h, 3),
            "verdict": corner.verdict,
            "temperature_corrected": True,
            "hours_to_decide": corner.hours_to_decide and round(corner.hours_to_decide, 2),
            "rose": corner.rose,
            "budget": shown["budget"],
        }

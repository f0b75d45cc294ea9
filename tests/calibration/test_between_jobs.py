"""What a vehicle's control unit is expected to hold when its next job begins, and where its limits count from."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from calibration.selectors.vehicle_setpoints import baseline_of
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site

OTHER = dict.fromkeys(COUNTS, 100)
NEW_UNIT = dict.fromkeys(COUNTS, 90)


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    return bench


def next_job(bench: Bench, setpoints: dict[str, int], **fields: Any) -> Bench:
    bench.sign_off()
    later = Bench.open(bench.site, bench.vehicle, setpoints=setpoints, hours_ago=3)
    later.measure()
    return later


def test_a_job_without_a_round_hides_no_change(bench: Bench) -> None:
    bench.sign_off()
    Bench.open(bench.site, bench.vehicle, hours_ago=4).end(setpoints=None)
    later = Bench.open(bench.site, bench.vehicle, setpoints=OTHER, hours_ago=3)
    later.measure()
    assert later.codes().count("setpoints_changed_elsewhere") == len(COUNTS)


def test_a_unit_replaced_in_the_last_job_and_read_there_hides_no_change(bench: Bench) -> None:
    bench.event("control_unit_replaced")
    bench.ready()
    bench.measure(setpoints=NEW_UNIT)
    assert "setpoints_changed_elsewhere" in next_job(bench, OTHER).codes()


def test_a_unit_replaced_after_the_last_round_is_expected_to_hold_anything(bench: Bench) -> None:
    bench.event("control_unit_replaced")
    bench.end(setpoints=None)
    later = Bench.open(bench.site, bench.vehicle, setpoints=OTHER, hours_ago=3)
    later.measure()
    assert "setpoints_changed_elsewhere" not in later.codes()


def test_nor_does_a_clock_that_is_ahead_hide_that_the_unit_was_replaced(bench: Bench) -> None:
    bench.event("control_unit_replaced", happened_at=bench.now + timedelta(days=300))
    bench.end(setpoints=None)
    later = Bench.open(bench.site, bench.vehicle, setpoints=OTHER, hours_ago=3)
    later.measure()
    assert "setpoints_changed_elsewhere" not in later.codes()


@pytest.mark.parametrize(("minutes_before", "counts"), [(2, NEW_UNIT), (120, COUNTS)])
def test_a_baseline_follows_work_that_a_lagging_clock_noted_for_just_before_the_job(
    bench: Bench, minutes_before: float, counts: dict[str, int]
) -> None:
    """Recorded after the first round: noted for a moment before the opening it may have been done since."""
    bench.event("sensor_replaced", "FL", happened_at=bench.job.opened_at - timedelta(minutes=minutes_before))
    bench.measure(setpoints={**COUNTS, "FL": NEW_UNIT["FL"]})
    assert baseline_of(bench.vehicle.pk, 0, 255) == {**COUNTS, "FL": counts["FL"]}

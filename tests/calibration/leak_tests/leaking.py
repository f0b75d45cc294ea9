"""Leak tests of a corner that sinks, and where a job then stands."""

from __future__ import annotations

from typing import Any

from tests.calibration.bench import Bench

LEAKS: dict[str, Any] = {"leak_limit_mm_per_h": 1.0, "air_column_mm": 300}


HIGH = {"FL": 500.0}


def where(bench: Bench) -> tuple[str, str, tuple[str, ...]]:
    step = bench.standing.next_step
    return step.step, step.reason, step.corners


def standing_codes(bench: Bench) -> set[tuple[str, str | None]]:
    standing = bench.standing
    return {(each.code, each.corner) for each in standing.record.findings if standing.is_live(each)}


def again(bench: Bench) -> None:
    """What an event on the vehicle asks for anew."""
    bench.ready()
    bench.measure(HIGH)

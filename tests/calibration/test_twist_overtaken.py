"""A twist of the heights is a finding for as long as what counts now shows it."""

from __future__ import annotations

from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site

TWISTED = {"FL": 496, "FR": 476, "RL": 494, "RR": 514}


def is_live(bench: Bench) -> list[bool]:
    standing = bench.standing
    return [standing.is_live(each) for each in standing.record.findings if each.code == "large_warp"]


def test_a_twist_is_overtaken_by_rounds_without_it(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure(TWISTED)
    assert is_live(bench) == [True]
    bench.write(None, {**COUNTS, "FL": 121})
    assert is_live(bench) == [True]  # nothing measured since shows another
    bench.measure()
    assert is_live(bench) == [False]

"""What was found stays the verdict as found, whatever was done afterwards."""

from __future__ import annotations

import pytest

from tests.calibration.api.http_bench import HttpBench
from tests.calibration.bench import Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    return Bench.with_one_low(site)


class TestAsFound:
    """A low corner, its sensor replaced, measured right afterwards."""

    def test_the_fault_that_was_found_stays_the_verdict_after_the_repair(self, bench: Bench) -> None:
        bench.event("sensor_replaced", "FL")
        bench.ready()
        bench.measure()
        found = bench.standing.as_found_assessment
        assert found is not None
        assert (found.verdict, found.corner("FL").verdict, found.side("front").verdict) == ("outside",) * 3
        assert bench.standing.assessment is not None
        assert bench.standing.assessment.verdict == "within"

    def test_rounds_before_the_first_change_are_judged_together(self, bench: Bench) -> None:
        bench.measure({"FL": 471})
        bench.write(bench.propose())
        bench.measure()
        found = bench.standing.as_found_assessment
        assert found is not None
        assert len(found.rounds) == 2
        assert found.corner("FL").mean_mm == pytest.approx(470.5, abs=0.1)

    def test_a_concession_does_not_change_what_was_found(self, bench: Bench) -> None:
        bench.concede(front_mm=470, rear_mm=504)
        bench.decide()
        found = bench.standing.as_found_assessment
        assert found is not None
        assert found.corner("FL").target_mm == 486

    def test_a_round_that_arrived_after_the_event_it_was_taken_before_is_as_found(self, site: Site) -> None:
        bench = Bench.open(site)
        bench.ready()
        taken_at = bench.tick()
        bench.event("sensor_replaced", "FL")
        late = bench.measure({"FL": 470}, taken_at=taken_at)
        bench.measure()
        found = bench.standing.as_found_assessment
        assert found is not None
        assert found.rounds == (str(late.pk),)
        assert found.corner("FL").verdict == "outside"

    def test_nothing_judged_is_nothing_found(self, site: Site) -> None:
        bench = Bench.open(site)
        assert bench.standing.as_found_assessment is None
        bench.measure(ride_position="raised")
        assert bench.standing.as_found_assessment is None

    def test_the_job_shows_it_beside_the_verdict_of_now(self, site: Site) -> None:
        http = HttpBench.of(site)
        http.adjusted()
        shown = http.state()
        assert shown["as_found"]["assessment"]["corners"]["FL"]["verdict"] == "outside"
        assert shown["assessment"]["corners"]["FL"]["verdict"] == "within"

"""A count that was misread has one finding and asks for one ruling, whatever else it contradicts."""

from __future__ import annotations

import pytest

from calibration.rules import texts
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site

ABOUT_SETPOINTS = {
    "setpoints_changed_elsewhere",
    "setpoint_out_of_range",
    "linked_setpoints_differ",
    "setpoints_incomplete",
}


@pytest.fixture
def bench(site: Site) -> Bench:
    """Right as it is, measured."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    return bench


def found(bench: Bench) -> list[tuple[str, str]]:
    return [(each.code, each.corner) for each in bench.case.findings if each.code in ABOUT_SETPOINTS]


def detail(bench: Bench, code: str) -> str:
    finding = next(each for each in bench.case.findings if each.code == code)
    return texts.finding_detail(finding.code, finding.corner or None, finding.values)


class TestBeyondTheUnitsRange:
    def test_it_is_no_change_as_well_nor_is_the_right_count_afterwards(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 1200})
        assert found(bench) == [("setpoint_out_of_range", "FL")]
        bench.measure()
        bench.measure()
        assert found(bench) == [("setpoint_out_of_range", "FL")]
        assert bench.reason == "rulings_missing"
        bench.rule("setpoint_out_of_range")
        assert bench.next_step == "sign_off"

    def test_it_names_the_units_range_and_what_was_expected(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 1200})
        text = detail(bench, "setpoint_out_of_range")
        assert "the control unit cannot hold set-point 1200, only 0 to 255" in text
        assert text.endswith("Expected was 120.")
        assert "band" not in text

    def test_a_change_behind_it_is_still_noticed(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 1200})
        bench.measure(setpoints={**COUNTS, "FL": 130})
        assert found(bench) == [("setpoint_out_of_range", "FL"), ("setpoints_changed_elsewhere", "FL")]

    def test_the_next_round_that_reads_it_again_asks_for_no_second_ruling(self, bench: Bench) -> None:
        for _ in range(2):
            bench.measure(setpoints={**COUNTS, "FL": 1200})
        assert found(bench) == [("setpoint_out_of_range", "FL")]

    def test_another_corner_that_changed_meanwhile_is_told(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 1200, "RR": 125})
        assert found(bench) == [("setpoint_out_of_range", "FL"), ("setpoints_changed_elsewhere", "RR")]

    def test_after_a_write_that_was_misread_nothing_is_expected_at_that_corner(self, bench: Bench) -> None:
        bench.write(None, {**COUNTS, "FL": 1380})
        bench.measure(setpoints={**COUNTS, "FL": 138})
        assert found(bench) == [("setpoint_out_of_range", "FL")]

    def test_the_next_job_expects_what_was_stored_and_not_what_was_misread(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 1200})
        bench.end(setpoints=None)
        later = Bench.open(bench.site, bench.vehicle, hours_ago=3)
        later.measure()
        assert found(later) == []


class TestOutsideTheBand:
    def test_it_is_told_with_what_was_expected_and_the_return_to_that_is_not_told(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 230})
        text = detail(bench, "setpoint_out_of_range")
        assert "230 lies outside the band that the specification allows on this axle, 40 to 215" in text
        assert text.endswith("Expected was 120.")
        bench.measure()
        assert found(bench) == [("setpoint_out_of_range", "FL")]

    def test_once_ruled_on_it_changes_back_as_anything_changes(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 230})
        bench.rule("setpoint_out_of_range")
        bench.measure()
        assert found(bench)[1:] == [("setpoints_changed_elsewhere", "FL")]
        bench.rule("setpoints_changed_elsewhere")
        bench.measure(setpoints={**COUNTS, "FL": 230})
        assert found(bench)[2:] == [("setpoints_changed_elsewhere", "FL")], "it is outside as before, but changed anew"

    def test_where_it_is_what_the_vehicle_has_one_ruling_serves_for_all_rounds(self, site: Site) -> None:
        bench = Bench.open(site, setpoints={**COUNTS, "FL": 230})
        bench.ready()
        bench.measure()
        bench.rule("setpoint_out_of_range")
        bench.measure()
        assert found(bench) == [("setpoint_out_of_range", "FL")]
        assert bench.next_step == "sign_off"
        assert "Expected was" not in detail(bench, "setpoint_out_of_range")


class TestWithinTheBand:
    def test_a_change_that_is_gone_with_the_next_reading_asks_for_one_ruling(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 129})
        bench.measure()
        assert found(bench) == [("setpoints_changed_elsewhere", "FL")]

    def test_a_change_to_a_third_count_is_another(self, bench: Bench) -> None:
        bench.measure(setpoints={**COUNTS, "FL": 129})
        bench.measure(setpoints={**COUNTS, "FL": 125})
        assert len(found(bench)) == 2


class TestLinkedCorners:
    def test_one_of_the_two_misread_is_told_once(self, site: Site) -> None:
        model = site.specification(linked_corners=[["RL", "RR"]]).vehicle_model
        counts = {**COUNTS, "RR": COUNTS["RL"]}
        bench = Bench.open(site, site.vehicle(vehicle_model=model), setpoints=counts)
        bench.ready()
        bench.measure()
        bench.measure(setpoints={**counts, "RL": 181})
        bench.measure()
        assert found(bench) == [("linked_setpoints_differ", "RL")]


def test_a_corner_that_was_not_read_is_told_once(bench: Bench) -> None:
    three = {corner: count for corner, count in COUNTS.items() if corner != "FL"}
    bench.measure(setpoints=three)
    bench.measure()
    assert found(bench) == [("setpoints_incomplete", "")]


class TestWrittenWithoutAProposal:
    def test_it_says_which_corners_went_further_than_a_proposal_may(self, bench: Bench) -> None:
        bench.write(None, {**COUNTS, "FL": 145, "RL": 190, "RR": 230, "FR": 130})
        [finding] = [each for each in bench.case.findings if each.code == "write_without_proposal"]
        assert [(each["corner"], each["code"]) for each in finding.values["beyond"]] == [
            ("FL", "step"),
            ("RL", "step"),
            ("RL", "shift_limit"),
            ("RR", "band"),
            ("RR", "step"),
            ("RR", "shift_limit"),
        ]
        text = detail(bench, "write_without_proposal")
        assert "FL: change of 25 counts, at most 20 in one write" in text
        assert "RL: 72 counts from the baseline, never more than 60" in text
        assert "RR: set-point 230, nearest edge of the corner's band 215" in text
        assert "FR" not in text

    def test_within_every_limit_it_says_nothing_more(self, bench: Bench) -> None:
        bench.write(None, {**COUNTS, "FL": 130})
        [finding] = [each for each in bench.case.findings if each.code == "write_without_proposal"]
        assert finding.values == {}
        assert "further" not in detail(bench, "write_without_proposal")

    def test_the_way_from_what_stood_at_its_time_counts(self, bench: Bench) -> None:
        """A write that arrives late is compared with what was known before it, not with what was read since."""
        written_at = bench.tick()
        bench.measure(setpoints={**COUNTS, "FL": 130})
        bench.write(None, {**COUNTS, "FL": 130}, written_at=written_at)
        [finding] = [each for each in bench.case.findings if each.code == "write_without_proposal"]
        assert finding.values == {}

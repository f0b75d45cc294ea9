"""Leak tests in a job: a leaking corner blocks proposals until it was mended and a test since then passed."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fleet.errors import Conflict, Forbidden
from tests.calibration.bench import Bench
from tests.calibration.leak_tests.leaking import HIGH, again, standing_codes, where
from tests.factories import Site


class TestALeakingCorner:
    def test_stops_the_job_until_it_is_mended_and_a_test_since_passed(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        leaking = where(ready)
        ready.leak_test()
        passed_without_repair = where(ready)
        ready.event("leak_repaired", "RL")
        again(ready)
        mended = where(ready)
        ready.leak_test()

        assert leaking == passed_without_repair == ("inspect", "leak_outside", ("RL",))
        assert mended == ("inspect", "leak_not_retested", ("RL",))
        assert where(ready)[0] == "propose"
        assert ("leak_outside", "RL") not in standing_codes(ready)
        assert ready.propose().outcome == "allowed"

    def test_lets_nobody_propose_and_nobody_sign(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.event("leak_repaired", "RL")
        again(ready)

        for act in (ready.propose, lambda: ready.enter(FL=110), ready.sign_off):
            with pytest.raises(Conflict) as refused:
                act()
            assert refused.value.next_step == "inspect"

    @pytest.mark.parametrize(
        ("kind", "corner", "mends"),
        [
            ("leak_repaired", "RL", True),
            ("spring_replaced", "RL", True),
            ("damper_replaced", "RL", True),
            ("leak_repaired", "RR", False),
            ("sensor_replaced", "RL", False),
            ("control_unit_replaced", "", False),
            ("alignment", "", False),
        ],
    )
    def test_is_mended_by_work_on_what_holds_its_air(self, ready: Bench, kind: str, corner: str, mends: bool) -> None:
        ready.leak_test({"RL": 30})
        ready.event(kind, corner)
        again(ready)
        ready.leak_test()

        assert (where(ready)[1] != "leak_outside") is mends

    def test_a_repair_noted_for_before_the_test_mends_nothing(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.event("leak_repaired", "RL", happened_at=ready.now - timedelta(hours=1))

        assert where(ready)[1] == "leak_outside"

    def test_a_test_that_began_before_the_repair_shows_nothing_of_it(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        repaired = ready.now + timedelta(hours=2)
        ready.leak_test(hours=12)
        ready.event("leak_repaired", "RL", happened_at=repaired)

        assert where(ready)[1] == "leak_not_retested"

    def test_another_leak_at_the_corner_after_the_repair_stops_it_anew(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.event("leak_repaired", "RL")
        ready.leak_test({"RL": 30})
        found_again = where(ready)
        ready.event("spring_replaced", "RL")
        ready.leak_test()
        again(ready)

        assert found_again == ("inspect", "leak_outside", ("RL",))
        assert ready.next_step == "propose"

    def test_two_corners_are_mended_and_tested_each_for_itself(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30, "FR": 30})
        ready.event("leak_repaired", "RL")
        half = where(ready)
        ready.leak_test({"FR": 30})

        assert half[:2] == ("inspect", "leak_outside")
        assert where(ready) == ("inspect", "leak_outside", ("FR",))
        assert set(ready.standing.leaks) == {"FR"}

    def test_voids_an_open_proposal(self, ready: Bench) -> None:
        proposal = ready.propose()
        ready.leak_test({"RL": 30})
        ready.write(proposal)

        assert "write_of_superseded_proposal" in ready.codes()

    def test_a_passed_test_leaves_an_open_proposal_alone(self, ready: Bench) -> None:
        proposal = ready.propose()
        ready.leak_test()
        ready.write(proposal)

        assert "write_of_superseded_proposal" not in ready.codes()

    def test_does_not_hold_up_the_way_back(self, ready: Bench) -> None:
        ready.write(ready.propose())
        ready.measure(HIGH)
        ready.leak_test({"RL": 30})
        proposal = ready.revert()
        ready.leak_test({"RL": 30})
        ready.write(proposal)
        ready.measure()

        assert ready.case.job.state == "reverted"
        assert "write_of_superseded_proposal" not in ready.codes()

    def test_may_be_sent_away(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.end()

        assert ready.case.job.state == "ended"


class TestARuling:
    def test_that_the_test_was_wrong_stands_in_for_the_repair_not_for_the_test(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.rule("leak_outside")
        ruled = where(ready)
        ready.leak_test()

        assert ruled == ("inspect", "leak_not_retested", ("RL",))
        assert ready.next_step == "propose"

    def test_that_it_stands_changes_nothing(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.rule("leak_outside", "reject")
        ready.leak_test()

        assert where(ready)[1] == "leak_outside"

    def test_is_not_for_whoever_tested(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30}, by=ready.site.manager)

        with pytest.raises(Forbidden):
            ready.rule("leak_outside")


class TestUndecided:
    def test_does_not_pass_after_a_repair_and_says_how_many_hours_would_decide(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.event("leak_repaired", "RL")
        again(ready)
        ready.leak_test({"RL": 3}, hours=4)
        undecided = where(ready)
        (hours,) = (leak.retest.hours_to_decide for leak in ready.standing.leaks.values() if leak.retest)
        assert hours is not None
        ready.leak_test({"RL": 0.75 * hours * 1.05}, hours=hours * 1.05)

        assert undecided == ("inspect", "leak_retest_undecided", ("RL",))
        assert hours > 4
        assert ready.next_step == "propose"

    def test_of_a_first_test_waits_for_a_longer_one_or_a_ruling_before_the_sign_off(self, bench: Bench) -> None:
        bench.ready()
        bench.measure()
        bench.leak_test({"RL": 3}, hours=4)
        waiting = where(bench)
        findings = standing_codes(bench)
        bench.leak_test(hours=48)

        assert waiting[:2] == ("get_approval", "rulings_missing")
        assert ("leak_undecided", "RL") in findings
        assert ("leak_undecided", "RL") not in standing_codes(bench)
        assert bench.next_step == "sign_off"

    def test_a_corner_that_rose_passes_no_test(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.event("leak_repaired", "RL")
        again(ready)
        ready.leak_test({"RL": -20})

        assert where(ready)[1] == "leak_retest_undecided"
        assert ("leak_corner_rose", "RL") in standing_codes(ready)


class TestADisturbedTest:
    def test_passes_nothing_and_says_so_until_it_is_made_again(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        ready.event("leak_repaired", "RL")
        again(ready)
        measured_between = ready.now + timedelta(hours=6)
        ready.leak_test(hours=12)
        passed = where(ready)
        ready.measure(HIGH, taken_at=measured_between)
        disturbed, findings = where(ready), standing_codes(ready)
        ready.leak_test()

        assert passed[0] == "propose"
        assert disturbed == ("inspect", "leak_retest_undecided", ("RL",))
        assert ("leak_test_disturbed", None) in findings
        assert ("leak_test_disturbed", None) not in standing_codes(ready)
        assert ready.next_step == "propose"

    def test_that_shows_a_leak_shows_it_all_the_same(self, ready: Bench) -> None:
        between = ready.now + timedelta(hours=6)
        ready.leak_test({"RL": 30})
        ready.measure(HIGH, taken_at=between)

        assert where(ready)[1] == "leak_outside"

    def test_is_not_one_that_a_round_was_measured_right_before(self, ready: Bench) -> None:
        ready.leak_test()

        assert "leak_test_disturbed" not in ready.codes()


class TestWhatItIsJudgedBy:
    def test_cold_weather_imitates_a_leak_only_where_nobody_notes_the_temperature(self, bench: Bench) -> None:
        sinking = dict.fromkeys(("FL", "FR", "RL", "RR"), 15)
        corrected = bench.leak_test(sinking, hours=10, temperatures=(20, 5)).result
        uncorrected = bench.leak_test(sinking, hours=10, temperatures=(20, None)).result

        assert (corrected["temperature_corrected"], corrected["verdict"]) == (True, "within")
        assert (uncorrected["temperature_corrected"], uncorrected["verdict"]) == (False, "outside")
        assert corrected["corners"]["FL"]["thermal_change_mm"] == pytest.approx(-15.35, abs=0.01)

    def test_without_a_limit_there_are_rates_and_no_verdict(self, site: Site) -> None:
        vehicle = site.vehicle(vehicle_model=site.specification(leak_limit_mm_per_h=None).vehicle_model)
        bench = Bench.open(site, vehicle, hours_ago=48)
        result = bench.leak_test({"RL": 30}).result

        assert (result["verdict"], result["corners"]["RL"]["verdict"]) == (None, None)
        assert result["corners"]["RL"]["rate_mm_per_h"] == pytest.approx(30 / (12 + 1 / 60), abs=0.01)
        assert not bench.standing.leaks

    def test_a_refiled_job_is_judged_by_the_other_models_limit(self, ready: Bench) -> None:
        ready.leak_test({"RL": 30})
        lenient = ready.site.specification(leak_limit_mm_per_h=20.0)
        ready.refile(ready.site.vehicle(vehicle_model=lenient.vehicle_model))
        after_refiling = set(ready.standing.leaks)
        strict = ready.site.specification(leak_limit_mm_per_h=0.1)
        ready.refile(ready.site.vehicle(vehicle_model=strict.vehicle_model))

        assert after_refiling == set()
        assert set(ready.standing.leaks) == {"RL"}
        assert len([each for each in ready.standing.stops if each.code == "leak_outside"]) == 1

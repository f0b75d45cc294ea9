"""What a technician is told: why a step is asked for, what leads on from it, what a limit allows."""

from __future__ import annotations

import pytest

from calibration.rules.explain import approval_detail, left_unconfirmed, next_step_detail, proposal_detail
from fleet.errors import Conflict
from tests.calibration.api.http_bench import ONE_HIGH, SETPOINTS, HttpBench
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    return Bench.with_one_low(site)


def told(bench: Bench) -> str:
    return next_step_detail(bench.standing, proposal=bench.case.open_proposal_content)


class TestWhatAProposalTells:
    """Every proposal, whoever made it: what to expect, how often to write, and why each corner moves or stays."""

    @pytest.mark.parametrize("by_hand", [False, True])
    def test_chance_writes_and_a_reason_at_every_corner(self, bench: Bench, by_hand: bool) -> None:
        content = (bench.enter(FL=COUNTS["FL"] + 16) if by_hand else bench.propose()).content
        assert 0 < content["probability_within"] < 1
        assert content["expected_writes"] >= 1
        assert set(content["changes"]) == set(COUNTS)
        for corner, change in content["changes"].items():
            assert ("stays" in change["reason"]) == (change["from"] == change["to"]), corner
        assert "16" in content["changes"]["FL"]["reason"]  # mm from its target


class TestEnteredByHand:
    def test_a_corner_moved_off_its_target_says_so_and_by_how_much(self, bench: Bench) -> None:
        change = bench.enter(FL=COUNTS["FL"] - 5).content["changes"]["FL"]
        assert change["reason_code"] == "entered_away_from_target"
        assert change["numbers"]["further_mm"] == pytest.approx(4.5, abs=0.1)
        assert "further off than now" in change["reason"]
        assert "4.5 mm further off" in change["reason"]

    def test_it_takes_approval_and_the_request_says_why(self, bench: Bench) -> None:
        proposal = bench.enter(FL=COUNTS["FL"] - 5)
        assert proposal.outcome == "needs_approval"
        for text in (told(bench), approval_detail("proposal", proposal.content)):
            assert "FL: ends 20.5 mm from its target" in text
            assert "further from their target than they are now: FL (4.5 mm)" in text
        bench.decide("approve")
        assert bench.next_step == "write"

    def test_what_needs_approval_for_another_reason_is_not_said_to_move_away(self, bench: Bench) -> None:
        bench.measure({"FL": 470, "RR": 502})
        proposal = bench.enter(RR=COUNTS["RR"] + 1)
        assert proposal.outcome == "needs_approval"
        assert "further" not in approval_detail("proposal", proposal.content)

    def test_a_corner_moved_towards_its_target_needs_none_and_the_others_stay(self, bench: Bench) -> None:
        proposal = bench.enter(FL=COUNTS["FL"] + 5)
        changes = proposal.content["changes"]
        assert proposal.outcome == "allowed"
        assert [changes[corner]["reason_code"] for corner in ("FL", "FR")] == [
            "entered_towards_target",
            "entered_unmoved",
        ]
        assert "Inside every limit" in proposal_detail(proposal.outcome, proposal.content)


class TestRefusedByALimit:
    @pytest.mark.parametrize(
        ("count", "limit", "advice"),
        [
            (COUNTS["FL"] + 25, "change of 25 counts, at most 20", "smaller changes"),
            (300, "range 255", "can hold"),
            (220, "band 215", "inside the band"),
            (COUNTS["FL"] + 61, "never more than 60", "nearer to the baseline"),
        ],
    )
    def test_it_says_which_and_what_to_do(self, bench: Bench, count: int, limit: str, advice: str) -> None:
        proposal = bench.enter(FL=count)
        text = proposal_detail(proposal.outcome, proposal.content)
        assert proposal.outcome == "refused"
        assert text.startswith("Refused")
        assert f"{limit}" in text
        assert advice in text
        assert bench.next_step == "propose"

    def test_what_several_corners_have_in_common_is_said_once(self) -> None:
        counts = {"FL": 12, "FR": 12, "RR": 11}
        limit = {"code": "shift_review", "outcome": "review", "limit": 10}
        limits = [{**limit, "corner": corner, "value": count} for corner, count in counts.items()]
        whole = {"code": "warp_change", "outcome": "review", "corner": None, "value": 21, "limit": 20}
        assert proposal_detail("needs_approval", {"limits": [*limits, whole], "changes": {}}) == (
            "This must be approved before it is written: FL, FR: 12 counts from the baseline, at most 10 without "
            "approval; RR: 11 counts from the baseline, at most 10 without approval; change of the twist by 21 mm "
            "expected, at most 20 mm in one write."
        )

    def test_the_answer_over_http_carries_it(self, site: Site) -> None:
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        refused = http.propose(setpoints={**SETPOINTS, "FL": 100}, justification="At once.")
        assert (refused["outcome"], refused["approval"]) == ("refused", None)
        assert "at most 20 in one write" in refused["detail"]
        assert http.propose()["detail"].startswith("Inside every limit")


def test_what_is_out_of_turn_is_refused_with_the_same_words(bench: Bench) -> None:
    with pytest.raises(Conflict, match="Outside tolerance: FL"):
        bench.sign_off()


class TestWhatIsOutside:
    def test_corners_are_named(self, bench: Bench) -> None:
        for _ in range(2):
            bench.measure({"FL": 470, "RR": 520})
        assert told(bench).startswith("Outside tolerance: FL, RR. The front side difference is outside")

    def test_a_side_is_the_difference_between_its_corners(self, site: Site) -> None:
        model = site.specification(side_difference_max_mm=3).vehicle_model
        bench = Bench.open(site, site.vehicle(vehicle_model=model))
        bench.ready()
        bench.measure({"FL": 490, "FR": 482})
        assert (bench.next_step, bench.reason) == ("propose", "side_difference_outside")
        assert "left minus right is 8.0 mm, and at most 3 mm" in told(bench)
        assert "Outside tolerance" not in told(bench)


class TestReadBackOtherwise:
    def test_says_which_corner_what_it_answers_and_who_rules_when(self, bench: Bench) -> None:
        proposal = bench.propose()
        wanted = proposal.to_setpoints["FL"]
        bench.write(proposal, {**proposal.to_setpoints, "FL": 121})
        assert f"FL: {wanted} was to be stored, but 121 was read back." in told(bench)
        assert "A manager rules on it before the sign-off; the work need not wait for that." in told(bench)
        assert "a second time stops the work" in told(bench)
        bench.rule("write_not_verified")
        assert "A manager rules" not in told(bench)
        bench.write(proposal, {**proposal.to_setpoints, "FL": 122})
        assert bench.reason == "write_not_verified_twice"
        assert f"FL: {wanted} was to be stored, but 122 was read back." in told(bench)

    def test_says_nothing_more_once_it_is_written_as_proposed(self, bench: Bench) -> None:
        proposal = bench.propose()
        bench.write(proposal, {**proposal.to_setpoints, "FL": 121})
        bench.write(proposal)
        assert "read back" not in told(bench)


class TestReadiness:
    def test_is_asked_again_after_work_on_the_vehicle_and_says_why(self, bench: Bench) -> None:
        bench.event("damper_replaced", "FL")
        assert bench.reason == "readiness_lapsed_by_event"
        assert "again, because something on the vehicle was worked on" in told(bench)
        bench.ready()
        assert bench.next_step == "measure"

    def test_is_asked_again_after_a_resumption_and_says_why(self, bench: Bench) -> None:
        bench.pause()
        bench.resume(nothing_changed=False)
        assert bench.reason == "readiness_lapsed_by_resumption"
        assert "again, because the job was interrupted" in told(bench)

    def test_never_checked_is_not_asked_again(self, site: Site) -> None:
        bench = Bench.open(site)
        bench.event("damper_replaced", "FL")
        assert bench.reason == "readiness_missing"

    def test_names_the_items_that_are_left_open_or_not_in_order(self, site: Site) -> None:
        bench = Bench.open(site)
        assert "Without an outcome" not in told(bench)
        bench.ready(reservoir="not_done", doors="not_done")
        assert bench.reason == "readiness_missing"
        assert "Without an outcome that counts: doors closed, nobody aboard, reservoir filled." in told(bench)
        bench.ready(leakage="fail")
        assert "Not in order: no leak." in told(bench)

    def test_a_round_before_it_carries_a_note_until_it_is_done(self, site: Site) -> None:
        bench = Bench.open(site)
        bench.measure()
        [note] = bench.case.record.findings[:1]
        assert (note.code, note.severity) == ("measured_before_readiness", "note")
        assert len(note.values["items"]) == 11  # type: ignore[arg-type]
        assert bench.standing.is_live(note)
        assert bench.next_step == "check_readiness"
        bench.ready()
        assert not bench.standing.is_live(note)
        assert bench.next_step == "sign_off"

    def test_a_round_after_it_carries_none(self, bench: Bench) -> None:
        assert bench.codes() == []


class TestReversion:
    def test_only_what_changes_goes_back(self, bench: Bench) -> None:
        bench.write(bench.propose())
        changes = bench.revert().content["changes"]
        codes = {corner: change["reason_code"] for corner, change in changes.items()}
        unchanged = {corner for corner, change in changes.items() if change["from"] == change["to"]}
        assert codes["FL"] == "goes_back"
        assert unchanged
        assert {codes[corner] for corner in unchanged} == {"stays_gone_back"}
        assert not [corner for corner in unchanged if "goes back" in changes[corner]["reason"]]


class TestEndedAfterAWrite:
    def test_it_says_what_the_vehicle_has_now_and_that_nobody_knows_its_heights(self, bench: Bench) -> None:
        bench.write(bench.propose())
        bench.end()
        text = told(bench)
        assert f"The set-points read last were FL {bench.setpoints['FL']}, FR 120, RL 118, RR 121." in text
        assert "No round was measured with them" in text
        assert "with the reason 'reversion'" in text
        assert left_unconfirmed(bench.standing)

    def test_the_counts_read_at_the_end_are_those_told(self, bench: Bench) -> None:
        bench.write(bench.propose())
        bench.measure()
        bench.end(setpoints={**bench.setpoints, "RR": 140})
        assert "RR 140" in told(bench)
        assert "No round was measured with them" in told(bench)

    def test_rounds_that_showed_no_good_heights_are_told(self, bench: Bench) -> None:
        bench.write(bench.propose())
        bench.measure({"FL": 476})
        bench.end()
        assert "do not show that everything is within" in told(bench)

    def test_where_all_was_measured_within_nothing_is_added(self, bench: Bench) -> None:
        bench.write(bench.propose())
        bench.measure()
        bench.end()
        assert not left_unconfirmed(bench.standing)
        assert "set-points" not in told(bench)

    def test_nor_where_nothing_was_written(self, bench: Bench) -> None:
        bench.end()
        assert not left_unconfirmed(bench.standing)
        assert "set-points" not in told(bench)

    def test_the_job_carries_the_caution(self, site: Site) -> None:
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        proposal = http.propose()
        http.write(proposal)
        http.made(f"/jobs/{http.job}/end/", {"reason": "Parts missing.", "setpoints": proposal["to_setpoints"]})
        assert "unconfirmed_height" in {each["code"] for each in http.state()["cautions"]}

"""What a technician is told: why a step is asked for, what leads on from it, who may decide, what was found."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from calibration.models import Job
from calibration.rules.explain import approval_detail, left_unconfirmed, next_step_detail, proposal_detail
from calibration.selectors.approvals import detail_of
from calibration.selectors.tyres import tyre_change_unrecorded
from calibration.services.independence import may_decide
from fleet.errors import Conflict, Invalid
from fleet.models import Fitment, Workshop
from fleet.tenancy import in_workshop
from tests.calibration.api.http_bench import ONE_HIGH, SETPOINTS, HttpBench
from tests.calibration.bench import COUNTS, Bench
from tests.factories import TYRE, Site


@pytest.fixture
def bench(site: Site) -> Bench:
    """A corner 16 mm low, measured."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    return bench


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

    def test_the_answer_over_http_carries_it(self, site: Site) -> None:
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        refused = http.propose(setpoints={**SETPOINTS, "FL": 100}, justification="At once.")
        assert (refused["outcome"], refused["approval"]) == ("refused", None)
        assert "at most 20 in one write" in refused["detail"]
        assert http.propose()["detail"].startswith("Inside every limit")


class TestWaitingForApproval:
    def test_the_names_of_those_who_may_decide_are_told(self, site: Site) -> None:
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        deputy = site.person("technician", may_approve=True)
        site.person("technician")
        http.propose(setpoints={**SETPOINTS, "RR": 121}, justification="Try.")
        shown = http.state()
        detail = shown["next_step_detail"]["detail"]
        names = [person.membership.name for person in (site.manager, deputy)]
        assert f"These may decide: {', '.join(sorted(names))}." in detail
        assert "RR: deviation" in detail
        assert "Another proposal or a new round takes its place" in detail
        assert "RR: deviation" in shown["approval"]["detail"]

    def test_nobody_decides_on_work_they_took_part_in(self, bench: Bench) -> None:
        bench.measure({"FL": 470}, by=bench.site.manager)
        bench.enter(RR=COUNTS["RR"] + 1)
        assert may_decide(bench.case) == []
        assert "Nobody may decide now" in next_step_detail(bench.standing, approvers=[])
        Workshop.objects.update(single_person=True)
        assert may_decide(bench.case) == [bench.site.manager.membership]

    def test_where_one_person_approves_alone_nobody_else_is_waited_for(self, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.update(single_person=True)
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        http.propose(setpoints={**SETPOINTS, "RR": 121}, justification="Try.")
        detail = http.state()["next_step_detail"]["detail"]
        assert "one person approves alone: they decide, with a reason, on their own work too" in detail
        assert "It is asked because of: RR: deviation" in detail
        assert "nother person" not in detail

    def test_a_ruling_on_ones_own_work_is_not_said_to_need_somebody_else(self, bench: Bench) -> None:
        bench.write(None, {**COUNTS, "FL": 138})
        bench.measure()
        assert bench.reason == "rulings_missing"
        alone = next_step_detail(bench.standing, one_decides_alone=True)
        assert "they decide, with a reason, on their own work too" in alone
        assert "neither measured" not in alone

    def test_another_proposal_takes_the_place_of_ones_own(self, bench: Bench) -> None:
        first = bench.enter(RR=COUNTS["RR"] + 1)
        assert bench.reason == "proposal"
        second = bench.enter(FL=COUNTS["FL"] + 15)
        assert bench.next_step == "write"
        assert bench.standing.open_approval is None
        assert bench.standing.open_proposal is not None
        assert bench.standing.open_proposal.id == second.pk != first.pk

    def test_a_round_takes_it_back(self, bench: Bench) -> None:
        bench.enter(RR=COUNTS["RR"] + 1)
        bench.measure({"FL": 470})
        assert bench.standing.open_approval is None
        assert bench.next_step == "propose"

    def test_a_concession_and_a_ruling_say_who_is_waited_for(self, bench: Bench) -> None:
        bench.concede()
        assert "concession waits" in told(bench)
        asked = detail_of(bench.case.approvals[-1])
        for told_of in (bench.case.concessions[-1].reason, bench.case.concessions[-1].acknowledged_by):
            assert told_of in asked
        assert f"{bench.case.concessions[-1].front_target_mm:g} mm in front" in asked
        bench.decide("refuse")
        bench.write(None, {**COUNTS, "FL": 138})
        bench.measure()
        assert bench.reason == "rulings_missing"
        assert "A manager rules who neither measured nor recorded" in told(bench)
        assert "tape" in approval_detail("sign_off", None)


def test_a_refused_approval_names_what_leads_on(bench: Bench) -> None:
    bench.enter(RR=COUNTS["RR"] + 1)
    bench.decide("refuse")
    assert bench.next_step == "inspect"
    for way in ("another round", "another proposal", "what was mended", "end the job"):
        assert way in told(bench)


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


class TestTyreChange:
    def opened(self, site: Site) -> Bench:
        bench = Bench.open(site, reason="tyre_change")
        bench.ready()
        assert bench.codes() == []
        bench.measure()
        return bench

    def live(self, bench: Bench) -> bool:
        [found] = [each for each in bench.case.record.findings if each.code == "tyres_not_recorded"]
        return bench.standing.is_live(found)

    def test_without_tyres_on_record_is_said_and_does_not_block_the_sign_off(self, site: Site) -> None:
        bench = self.opened(site)
        assert self.live(bench)
        assert bench.next_step == "sign_off"
        assert "no other tyres are on record" in told(bench)
        bench.sign_off()
        assert self.live(bench)

    def test_is_settled_once_the_tyres_are_recorded(self, site: Site) -> None:
        bench = self.opened(site)
        bench.fit(TYRE)
        assert not self.live(bench)
        bench.measure()
        assert "tyres" not in told(bench)

    @pytest.mark.parametrize(
        ("fitted_on", "recorded_hours_later", "is_missing"),
        [(date(2026, 3, 2), -1, False), (date(2026, 3, 1), -1, True), (date(2026, 3, 1), 1, False)],
        ids=["fitted that day", "on it before", "fitted before, recorded since"],
    )
    def test_tyres_of_that_day_or_recorded_since_count(
        self, site: Site, fitted_on: date, recorded_hours_later: int, is_missing: bool
    ) -> None:
        opened_at = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
        fitment = Fitment(fitted_on=fitted_on, recorded_at=opened_at + timedelta(hours=recorded_hours_later))
        assert tyre_change_unrecorded(Job(reason="tyre_change", opened_at=opened_at), [fitment]) is is_missing

    def test_other_reasons_ask_for_none(self, bench: Bench) -> None:
        assert "tyres_not_recorded" not in bench.codes()


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


class TestConcessionTargets:
    @pytest.mark.parametrize(("front_mm", "unit"), [(19.1, "inches"), (48.6, "centimetres"), (0.49, "metres")])
    def test_in_another_unit_are_refused_by_field(self, bench: Bench, front_mm: float, unit: str) -> None:
        with pytest.raises(Invalid) as refusal:
            bench.concede(front_mm=front_mm)
        [error] = refusal.value.errors
        assert (error.pointer, error.code) == ("/front_target_mm", "wrong_unit")
        for words in (
            f"{front_mm:g} mm is more than 150 mm",
            "target of 486 mm",
            f"looks like {unit}",
            "in millimetres",
        ):
            assert words in str(error.detail)

    def test_far_off_in_any_unit_are_refused_too(self, bench: Bench) -> None:
        with pytest.raises(Invalid) as refusal:
            bench.concede(front_mm=4860)
        assert [each.code for each in refusal.value.errors] == ["implausible_height"]

    def test_both_axles_are_named(self, bench: Bench) -> None:
        with pytest.raises(Invalid) as refusal:
            bench.concede(front_mm=48, rear_mm=50)
        assert [each.pointer for each in refusal.value.errors] == ["/front_target_mm", "/rear_target_mm"]

    @pytest.mark.parametrize("front_mm", [336, 640, 700])
    def test_far_off_but_in_no_other_unit_are_for_another_person_to_judge(self, bench: Bench, front_mm: float) -> None:
        assert bench.concede(front_mm=front_mm).front_target_mm == Decimal(front_mm)
        assert bench.reason == "concession"


@pytest.mark.parametrize(("height", "unit"), [(0.47, "metres"), (18.5, "inches"), (47.0, "centimetres")])
def test_a_reading_in_another_unit_says_which(bench: Bench, height: float, unit: str) -> None:
    readings: list[dict[str, Any]] = [
        {"corner": corner, "height_mm": Decimal(str(height))} for corner in COUNTS for _ in range(2)
    ]
    with pytest.raises(Invalid, match=f"looks like {unit}"):
        bench.measure(readings=readings)


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

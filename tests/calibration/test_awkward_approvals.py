"""What another person decides, who that may be, and what follows from a refusal."""

from __future__ import annotations

from datetime import timedelta

import pytest

from calibration.models import Decision
from calibration.rules.explain import next_step_detail
from calibration.services import decisions
from fleet import services as fleet_services
from fleet.errors import Conflict, Forbidden, Invalid, NotFound, TooMany
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Workshop
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    """A low corner, measured."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    return bench


@pytest.fixture
def waiting(bench: Bench) -> Bench:
    """A proposal that moves a corner which nothing significant frees."""
    assert bench.enter(RR=COUNTS["RR"] + 1).outcome == "needs_approval"
    return bench


def test_they_are_told_at_once(waiting: Bench) -> None:
    approval = waiting.standing.open_approval
    assert approval is not None
    told = OutboxItem.objects.get(kind="calibration.approval_requested")
    assert told.payload == {"approval": str(approval.id)}


def test_an_approved_proposal_is_written(waiting: Bench) -> None:
    waiting.decide("approve")
    assert waiting.next_step == "write"


def test_a_refused_proposal_is_inspected_until_a_round(waiting: Bench) -> None:
    waiting.decide("refuse")
    assert (waiting.next_step, waiting.reason) == ("inspect", "approval_refused")
    waiting.ready()
    assert waiting.next_step == "inspect"
    waiting.measure({"FL": 470})
    assert waiting.next_step == "propose"


def test_a_refused_proposal_is_inspected_until_an_event(waiting: Bench) -> None:
    waiting.decide("refuse")
    waiting.event("other")
    assert waiting.next_step == "check_readiness"


def test_a_refused_proposal_is_inspected_until_another_is_entered(waiting: Bench) -> None:
    waiting.decide("refuse")
    assert waiting.enter(FL=COUNTS["FL"] + 15).outcome == "allowed"
    assert waiting.next_step == "write"


def test_a_refused_proposal_may_be_the_end(waiting: Bench) -> None:
    waiting.decide("refuse")
    assert waiting.end().state == "ended"


def test_a_decision_is_made_once_and_only_while_it_is_asked_for(waiting: Bench) -> None:
    approval = waiting.standing.open_approval
    assert approval is not None
    waiting.measure({"FL": 470})
    with pytest.raises(Conflict) as refusal:
        decisions.approval_decide(
            actor=waiting.actor(waiting.site.manager),
            record_id=new_id(),
            approval_id=approval.id,
            decision="approve",
            reason="seen",
            content_sha256=approval.content_sha256,
        )
    assert refusal.value.code == "approval_closed"
    assert refusal.value.next_step == "propose"


# --- who ------------------------------------------------------------------------------------------------
def test_a_shift_above_the_review_threshold_needs_somebody_who_took_no_part(site: Site) -> None:
    model = site.specification(shift_review_counts=5, shift_limit_counts=60).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model))
    bench.ready()
    bench.measure({"FL": 470}, by=site.manager)
    assert bench.propose().outcome == "needs_approval"
    with pytest.raises(Forbidden) as refusal:
        bench.decide("approve", site.manager)
    assert refusal.value.code == "not_independent"
    deputy = site.person("technician", may_approve=True)
    bench.decide("approve", deputy)
    bench.write(bench_proposal(bench))
    bench.measure()
    with pytest.raises(Forbidden):
        bench.sign_off(deputy)
    assert bench.sign_off().state == "signed_off"


def bench_proposal(bench: Bench):  # type: ignore[no-untyped-def]
    return bench.case.proposals[-1]


def make_single(site: Site) -> None:
    workshop = Workshop.objects.get()
    fleet_services.workshop_update(
        actor=site.manager.actor(), expected_versions={workshop.version}, changes={"single_person": True}
    )


def test_a_workshop_of_one_decides_alone_and_the_record_says_so(site: Site) -> None:
    make_single(site)
    bench = Bench.open(site)
    bench.technician = site.manager
    bench.ready()
    bench.measure({"FL": 470})
    bench.enter(RR=COUNTS["RR"] + 1)
    bench.decide("approve", site.manager)
    assert Decision.objects.get().self_approved
    entry = LedgerEntry.objects.get(kind="approval_decided")
    assert entry.payload["rows"]["calibration.decision"][0]["self_approved"] is True
    bench.write(bench.case.proposals[-1])
    bench.measure()
    assert bench.sign_off(site.manager).state == "signed_off"


def test_a_workshop_of_one_rules_and_strikes_alone_and_the_record_says_so(site: Site) -> None:
    make_single(site)
    bench = Bench.open(site)
    bench.technician = site.manager
    bench.ready()
    bench.measure(by=site.manager)
    reading = bench.case.rounds[0].reading_rows[0]  # type: ignore[attr-defined]
    bench.strike(reading.pk, 487, site.manager)
    assert bench.case.strikes[0].self_approved
    bench.write(None, {**COUNTS, "FL": 121})
    bench.rule("write_without_proposal", person=site.manager)
    assert bench.case.rulings[0].self_approved


def test_with_two_approvers_nobody_decides_alone(site: Site) -> None:
    make_single(site)
    site.person("technician", may_approve=True)
    assert not Workshop.objects.get().single_person
    with pytest.raises(Conflict):
        make_single(site)


def test_who_recorded_what_a_finding_is_about_does_not_rule_on_it(site: Site) -> None:
    bench = Bench.open(site)
    bench.technician = site.manager
    bench.write(None, COUNTS)
    with pytest.raises(Forbidden):
        bench.rule("write_without_proposal", person=site.manager)
    bench.rule("write_without_proposal", person=site.person("manager"))
    assert not bench.case.rulings[0].self_approved


def test_what_is_not_there_is_neither_decided_nor_ruled_on(bench: Bench) -> None:
    """Another job's finding is none of this job's, and an unknown request none at all."""
    other = Bench.open(bench.site)
    other.ready()
    other.write(None, COUNTS)
    with pytest.raises(NotFound):
        bench.rule_on(other.case.findings[0].pk)
    with pytest.raises(NotFound):
        decisions.approval_decide(
            actor=bench.actor(bench.site.manager),
            record_id=new_id(),
            approval_id=new_id(),
            decision="approve",
            reason="looked at the vehicle",
            content_sha256="0" * 64,
        )


def test_who_ruled_does_not_sign(bench: Bench) -> None:
    bench.write(None, {**COUNTS, "FL": 138})
    bench.measure()
    bench.rule("write_without_proposal")
    with pytest.raises(Forbidden):
        bench.sign_off(bench.site.manager)
    assert bench.sign_off().state == "signed_off"


def test_a_note_needs_no_ruling(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    with pytest.raises(Conflict) as refusal:
        bench.rule("leave_alone")
    assert refusal.value.code == "nothing_to_rule"


# --- concessions ----------------------------------------------------------------------------------------
def test_an_approved_concession_sets_the_targets_of_this_job_only(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.concede(500, 518)
    assert (bench.next_step, bench.reason) == ("get_approval", "concession")
    with pytest.raises(Conflict):
        bench.propose()
    bench.decide("approve")
    assert bench.next_step == "propose"
    bench.write(bench.propose())
    bench.measure({"FL": 500, "FR": 500, "RL": 518, "RR": 518})
    assert bench.next_step == "sign_off"
    bench.sign_off()
    again = Bench.open(site, bench.vehicle, setpoints=bench.setpoints)
    again.ready()
    again.measure({"FL": 500, "FR": 500, "RL": 518, "RR": 518})
    assert again.next_step == "propose", "the next job starts from the specification"


def test_after_a_refused_concession_the_specifications_targets_stand(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.concede(500, 518)
    bench.decide("refuse")
    assert bench.next_step == "sign_off"
    assert bench.standing.concession is None


def test_who_asked_for_a_concession_does_not_approve_it(site: Site) -> None:
    bench = Bench.open(site)
    bench.concede(person=site.manager)
    with pytest.raises(Forbidden):
        bench.decide("approve", site.manager)


def test_an_acknowledgement_of_tomorrow_is_given_back(site: Site) -> None:
    from decimal import Decimal

    from calibration.services import proposals
    from fleet.ids import new_id

    bench = Bench.open(site)
    actor = bench.actor()
    with pytest.raises(Invalid) as refusal:
        proposals.concession_request(
            actor=actor,
            record_id=new_id(),
            job_id=bench.job.pk,
            front_target_mm=Decimal(500),
            rear_target_mm=Decimal(518),
            reason="ramp",
            acknowledged_by="fleet desk",
            acknowledged_on=actor.now.date() + timedelta(days=1),
        )
    assert refusal.value.errors[0].code == "in_the_future"


def test_a_paused_job_takes_no_concession(site: Site) -> None:
    bench = Bench.open(site)
    bench.pause()
    with pytest.raises(Conflict) as refusal:
        bench.concede()
    assert refusal.value.next_step == "paused"


# --- signatures -----------------------------------------------------------------------------------------
@pytest.fixture
def right(site: Site) -> Bench:
    """Everything within tolerance; `sign_off` is next."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    return bench


def test_a_signature_over_what_was_shown_before_is_refused(right: Bench) -> None:
    shown = right.standing.content_sha256
    right.ready()
    with pytest.raises(Conflict) as refusal:
        right.sign_off(content_sha256=shown)
    assert refusal.value.code == "record_changed"
    assert refusal.value.next_step == "sign_off"


def test_reading_alone_changes_no_hash(right: Bench) -> None:
    assert len({right.standing.content_sha256 for _ in range(3)}) == 1


def test_a_wrong_pin_signs_nothing(right: Bench) -> None:
    with pytest.raises(Invalid) as refusal:
        right.sign_off(pin="0000")
    assert refusal.value.errors[0].code == "pin_wrong"
    assert right.case.job.state == "measuring"
    assert right.case.sign_offs == []


def test_a_locked_pin_signs_nothing_until_it_opens_again(right: Bench) -> None:
    me = right.technician.membership.pk
    for _ in range(fleet_services.people.PIN_ATTEMPTS):
        fleet_services.pin_failure_note(membership_id=me, now=right.now)
    with pytest.raises(TooMany):
        right.sign_off()
    right.now += fleet_services.people.PIN_LOCK
    assert right.sign_off().state == "signed_off"


def test_signing_twice_is_out_of_turn(right: Bench) -> None:
    right.sign_off()
    with pytest.raises(Conflict) as refusal:
        right.sign_off()
    assert refusal.value.next_step == "done"


def test_an_entry_that_a_limit_refuses_leaves_the_open_proposal_as_it_was(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    proposal = bench.propose()
    assert bench.enter(FL=COUNTS["FL"] + 100).outcome == "refused"
    assert bench.standing.open_proposal is not None
    assert bench.standing.open_proposal.id == proposal.pk
    assert bench.next_step == "write"


def test_an_entry_that_a_limit_refuses_does_not_lead_past_a_refused_approval(waiting: Bench) -> None:
    waiting.decide("refuse")
    assert waiting.enter(FL=COUNTS["FL"] + 100).outcome == "refused"
    assert (waiting.next_step, waiting.reason) == ("inspect", "approval_refused")
    with pytest.raises(Conflict):
        waiting.propose()


def test_who_comes_after_a_refusal_is_told_who_refused_and_why(waiting: Bench) -> None:
    waiting.decide("refuse")
    with pytest.raises(Conflict) as refusal:
        waiting.propose()
    told = next_step_detail(waiting.standing)
    assert str(refusal.value.detail) == told
    assert f"{waiting.site.manager.membership.name} refused it, and gave this reason: looked at the vehicle." in told


def test_an_operators_contact_is_told_the_reason_without_a_name(waiting: Bench) -> None:
    waiting.decide("refuse")
    told = next_step_detail(waiting.standing, names_people=False)
    assert "The reason given: looked at the vehicle." in told
    assert waiting.site.manager.membership.name not in told

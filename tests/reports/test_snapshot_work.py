"""What was written, decided and departed from, as the record says it."""

from __future__ import annotations

from decimal import Decimal

from calibration.services.decisions import approval_decide, finding_rule
from calibration.services.jobs import job_pause, job_resume
from calibration.services.proposals import concession_request, proposal_enter
from fleet.ids import new_id
from reports.certificate import document as doc
from reports.certificate.conclusion import conclude, measured_states
from tests.factories import Site

from . import jobs
from .jobs import Bench
from .snapshots import document, inside


def test_write_without_a_proposal_is_shown_with_its_ruling(site: Site, ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    ready.write(None, {**jobs.COUNTS, "FL": 145})
    finding = next(each for each in ready.case().findings if each.code == "write_without_proposal")
    inside(
        ready,
        finding_rule,
        by=site.manager,
        record_id=new_id(),
        job_id=ready.job_id,
        finding_id=finding.pk,
        decision="accept",
        reason="Done before the tablet was at hand",
    )
    ready.measure(jobs.WITHIN)
    ready.sign_off()
    found = document(ready)
    [write] = found.writes
    assert (write.proposal, write.corners) == (None, {"FL": doc.CornerWrite(128, None, 145)})
    [entry] = [each for each in found.findings if each.code == "write_without_proposal"]
    assert entry.ruling is not None
    assert (entry.severity, entry.ruling.decision, entry.ruling.ruled_by) == (
        "review",
        "accept",
        site.manager.membership.name,
    )


def test_a_write_without_a_proposal_names_the_limits_that_it_went_beyond(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    ready.write(None, {**jobs.COUNTS, "FL": 220})
    ready.end("To be looked at.")
    [told] = [each for each in document(ready).findings if each.code == "write_without_proposal"]
    assert told.detail.startswith("Set-points were written without a proposal. They go further than any proposal may:")
    for words in (
        "Front left: set-point 220, nearest edge of the corner's band 215",
        "Front left: change of 92 counts, at most 20 in one write",
        "Front left: 92 counts from the baseline, never more than 60",
    ):
        assert words in told.detail


def test_unverified_write_shows_what_was_meant_and_what_was_read(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    proposal = ready.propose()
    ready.write(proposal, {**proposal.to_setpoints, "FL": 129})
    ready.end("Will not store.")
    found = document(ready)
    assert not found.writes[0].verified
    assert found.writes[0].corners["FL"] == doc.CornerWrite(128, proposal.to_setpoints["FL"], 129)
    assert "write_not_verified" in {each.code for each in found.findings}


def test_approval_is_shown_and_signed_by_who_gave_it(site: Site, ready: Bench) -> None:
    deputy = site.person("technician", may_approve=True)
    ready.measure(jobs.LOW_FRONT_LEFT)
    proposal = inside(
        ready,
        proposal_enter,
        record_id=new_id(),
        job_id=ready.job_id,
        setpoints={**jobs.COUNTS, "FL": 146, "RR": 130},
        justification="Seen before",
    )
    [approval] = ready.case().approvals
    inside(
        ready,
        approval_decide,
        by=deputy,
        record_id=new_id(),
        approval_id=approval.pk,
        decision="approve",
        reason="Right",
        content_sha256=approval.content_sha256,
    )
    ready.write(proposal, proposal.to_setpoints)
    ready.measure(jobs.WITHIN)
    ready.sign_off()
    found = document(ready)
    [entry] = found.approvals
    assert (entry.subject, entry.decision, entry.decided_by, entry.role, entry.self_approved) == (
        "proposal",
        "approve",
        deputy.membership.name,
        "deputy",
        False,
    )
    assert [(each.meaning, each.name) for each in found.signatures] == [
        ("approval", deputy.membership.name),
        ("work_complete", site.technician.membership.name),
    ]
    assert (found.writes[0].proposal, found.writes[0].justification) == ("entered", "Seen before")


def test_concession_gives_its_targets_and_who_acknowledged_them(site: Site, ready: Bench) -> None:
    inside(
        ready,
        concession_request,
        record_id=new_id(),
        job_id=ready.job_id,
        front_target_mm=Decimal(496),
        rear_target_mm=Decimal(514),
        reason="Ramp angle of the ferry",
        acknowledged_by="R. Ekdal",
        acknowledged_on=ready.now.date(),
    )
    [approval] = ready.case().approvals
    inside(
        ready,
        approval_decide,
        by=site.manager,
        record_id=new_id(),
        approval_id=approval.pk,
        decision="approve",
        reason="Asked for in writing",
        content_sha256=approval.content_sha256,
    )
    ready.measure((Decimal(496), Decimal(496), Decimal(514), Decimal(514)))
    ready.sign_off()
    found = document(ready)
    assert found.concession == doc.Concession(496.0, 514.0, "Ramp angle of the ferry", "R. Ekdal", ready.now.date())
    assert found.as_left is not None
    assert found.as_left.corners["FL"].target_mm == 496.0
    assert found.specification is not None
    assert found.specification.front.target_mm == 486.0, "the specification's own target stays on the page"
    assert found.as_found is not None
    assert (found.as_found.corners["FL"].target_mm, found.as_found.verdict) == (486.0, "outside")
    assert (found.as_found.rounds, found.as_left.verdict) == (found.as_left.rounds, "within")
    assert [title for title, _state in measured_states(found)] == ["As found", "As left"], "two targets, two verdicts"
    assert conclude(found).headline == "Within tolerance of the concession's targets; no set-point changed"


def test_pause_is_a_departure(ready: Bench) -> None:
    ready.measure(jobs.WITHIN)
    inside(ready, job_pause, record_id=new_id(), job_id=ready.job_id, reason="Parts awaited")
    inside(
        ready,
        job_resume,
        record_id=new_id(),
        job_id=ready.job_id,
        reason="Parts came",
        setpoints=jobs.COUNTS,
        nothing_changed=True,
    )
    ready.sign_off()
    [sentence] = document(ready).departures
    assert sentence.startswith(f"The job was paused by {ready.site.technician.membership.name}, ")
    assert "Parts awaited" in sentence

"""How jobs end without sign-off: by whom, why, and what is to be mended."""

from __future__ import annotations

from calibration.models import Finding, Job
from calibration.selectors.casefile import case_of
from calibration.services.decisions import finding_rule
from calibration.services.proposals import reversion_begin
from fleet import services
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.certificate.conclusion import conclude, measured_states
from reports.models import Certificate
from reports.snapshot import closing
from reports.snapshot.source import Source
from tests.factories import Site

from . import jobs
from .jobs import Bench
from .snapshots import document, inside


def test_ended_job_says_why_and_what_to_mend(site: Site) -> None:
    bench = jobs.ended(site)
    found = document(bench)
    assert bench.job is not None
    assert found.kind == "findings_report"
    assert found.ending is not None
    assert (found.ending.reason, found.ending.ended_by) == (
        "A leak must be mended first.",
        site.technician.membership.name,
    )
    assert found.ending.to_mend == ("Leak check, failed: hiss at the rear left.",)
    [leakage] = [entry for entry in found.readiness if entry.item == "leakage"]
    assert (leakage.outcome, leakage.note, leakage.checked_by) == (
        "fail",
        "hiss at the rear left",
        site.technician.membership.name,
    )
    assert found.signatures == (), "nobody signs that a job ended"
    assert (found.ending.role, found.ending.ended_at) == ("technician", bench.job.closed_at)
    assert found.ending.content_sha256 == bench.case().standing.content_sha256


def test_job_that_ended_unmeasured_is_a_report_too(site: Site) -> None:
    bench = Bench.at(site)
    bench.receive()
    bench.end("The vehicle was fetched.")
    found = document(bench)
    assert (found.as_found, found.as_left, found.rounds) == (None, None, ())
    assert {entry.outcome for entry in found.readiness} == {"not_done"}


def test_reverted_job_says_so(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    proposal = ready.propose()
    ready.write(proposal, proposal.to_setpoints)
    back = inside(ready, reversion_begin, record_id=new_id(), job_id=ready.job_id, reason="Owner wants it back")
    ready.write(back, back.to_setpoints)
    ready.measure(jobs.LOW_FRONT_LEFT)
    found = document(ready)
    assert (found.kind, found.job.state) == ("findings_report", "reverted")
    assert found.ending is not None
    assert found.ending.reason == "Owner wants it back"
    assert [write.proposal for write in found.writes] == ["computed", "reversion"]
    assert found.setpoints["FL"].as_left == 128
    assert found.as_left is not None, "the round that completed the return is judged too"
    assert (found.as_left.rounds, found.as_left.verdict) == ((2,), "outside")
    assert [title for title, _state in measured_states(found)] == ["As found", "Last measured"]
    assert "not measured again" not in " ".join(conclude(found).sentences)
    assert (found.ending.ended_by, found.ending.role) == (ready.site.technician.membership.name, "technician")
    assert found.ending.ended_at == ready.case().reversions[0].recorded_at
    assert found.signatures == ()
    [sentence] = found.departures
    assert f"decided by {found.ending.ended_by}, " in sentence
    assert sentence.endswith(": Owner wants it back.")
    assert "UTC" not in sentence, "the pages name the zone of all times"


def test_an_ending_after_a_reversion_that_was_given_up_is_the_ending(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    proposal = ready.propose()
    ready.write(proposal, proposal.to_setpoints)
    inside(ready, reversion_begin, record_id=new_id(), job_id=ready.job_id, reason="Owner wants it back")
    ready.end("No time left.")
    found = document(ready)
    assert found.job.state == "ended"
    assert found.ending is not None
    assert found.ending.reason == "No time left."


def test_a_corner_that_does_not_respond_is_to_be_mended_until_it_was_worked_on(ready: Bench) -> None:
    jobs.suspect_front_left(ready)
    ready.end("Front left does not answer.")
    found = document(ready)
    assert found.ending is not None
    assert found.ending.to_mend == ("Front left does not respond: have sensor, linkage and air supply checked.",)
    [finding] = [each for each in found.findings if each.code == "corner_not_responding"]
    assert (finding.status, finding.settled) == ("open", "")


def test_a_corner_that_was_mended_is_no_longer_to_be_mended(site: Site, ready: Bench) -> None:
    jobs.suspect_front_left(ready)
    inside(
        ready,
        services.event_record,
        record_id=new_id(),
        vehicle=ready.vehicle,
        kind="sensor_replaced",
        corner="FL",
        happened_at=ready.now,
        note="",
    )
    ready.end("Continued elsewhere.")
    found = document(ready)
    assert found.ending is not None
    assert found.ending.to_mend == ()
    [finding] = [each for each in found.findings if each.code == "corner_not_responding"]
    assert finding.status == "settled"
    name = site.technician.membership.name
    assert finding.settled.startswith(f"height sensor replaced, Front left, recorded by {name}, ")
    assert found.as_left is None, "not measured since the work"


def test_a_question_about_the_record_is_nothing_to_mend_unless_a_ruling_let_it_stand(site: Site, ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    ready.write(None, {**jobs.COUNTS, "FL": 145})
    finding = next(each for each in ready.case().findings if each.code == "write_without_proposal")
    assert document_ended(ready, site, None) == ()
    told = document_ended(ready, site, finding)
    assert told == ("The vehicle, not accepted: Set-points were written without a proposal.",)


def document_ended(bench: Bench, site: Site, rejected: Finding | None) -> tuple[str, ...]:
    """What is to be mended were the job ended now, perhaps after a ruling that lets a finding stand."""
    if rejected is not None:
        inside(
            bench,
            finding_rule,
            by=site.manager,
            record_id=new_id(),
            job_id=bench.job_id,
            finding_id=rejected.pk,
            decision="reject",
            reason="Not as agreed",
        )
    with in_workshop(site.workshop.pk):
        job = Job.objects.get(pk=bench.job_id)
        source = Source(Certificate(job=job), case_of(bench.actor(), job.pk), site.workshop, bench.now)
        return closing.to_mend(source)


def test_an_item_that_passed_tells_that_it_had_failed_before(site: Site) -> None:
    bench = Bench.at(site)
    bench.receive()
    bench.check_readiness(leakage={"outcome": "fail", "note": "hiss at the rear left"})
    bench.check_readiness()
    bench.end("The vehicle was fetched.")
    by_item = {entry.item: entry for entry in document(bench).readiness}
    leakage, floor = by_item["leakage"], by_item["floor"]
    assert (leakage.outcome, leakage.failed_note) == ("pass", "hiss at the rear left")
    assert leakage.failed_at is not None
    assert leakage.checked_at is not None
    assert leakage.failed_at < leakage.checked_at
    assert (floor.failed_at, floor.failed_note) == (None, "")

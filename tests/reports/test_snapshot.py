"""A document says what the record says, complete: each thing that can happen in a job is found on it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from calibration.services.decisions import approval_decide, finding_rule
from calibration.services.jobs import job_pause, job_resume
from calibration.services.proposals import concession_request, proposal_enter, reversion_begin
from calibration.services.rounds import reading_strike
from fleet import services
from fleet.ids import new_id
from fleet.models import Operator, Tenure, Vehicle, Workshop
from fleet.tenancy import in_workshop
from reports.certificate import document as doc
from reports.certificate.document import from_json
from reports.models import Certificate, CertificateFile
from reports.services.certificates import certificate_issue, certificate_prepare, certificate_replace
from tests.factories import Site, new_vin

from . import jobs
from .jobs import Bench


def document(bench: Bench) -> doc.Document:
    """The first certificate's document, as stored."""
    with in_workshop(bench.site.workshop.pk):
        certificate = certificate_prepare(actor=bench.actor(), job_id=bench.job_id)
        assert certificate is not None
        return from_json(CertificateFile.objects.get(certificate=certificate).snapshot)


def inside(bench: Bench, do: Callable[..., Any], *, by: Any = None, **fields: Any) -> Any:
    """A service called by the technician, or by somebody else, a minute later."""
    actor = bench.actor() if by is None else by.actor(bench.actor().now)
    with in_workshop(bench.site.workshop.pk):
        return do(actor=actor, **fields)


@pytest.fixture
def ready(site: Site) -> Bench:
    bench = Bench.at(site)
    bench.receive()
    bench.check_readiness()
    return bench


class TestAdjustedVehicle:
    @pytest.fixture
    def found(self, site: Site) -> doc.Document:
        vehicle = site.vehicle(model_year=2024)
        site.fitment(vehicle)
        return document(jobs.adjusted(site, vehicle=vehicle))

    def test_says_what_was_found_and_left(self, found: doc.Document) -> None:
        assert found.as_found is not None
        assert found.as_left is not None
        before, after = found.as_found.corners["FL"], found.as_left.corners["FL"]
        assert (before.mean_mm, before.target_mm, before.deviation_mm, before.verdict) == (
            470.5,
            486.0,
            -15.5,
            "outside",
        )
        assert (after.mean_mm, after.verdict, found.as_left.verdict) == (486.5, "within", "within")
        assert 2 < after.expanded_uncertainty_mm < 3
        assert {line.component for line in after.budget} >= {"repeatability", "settling", "instrument"}
        assert (found.as_found.rounds, found.as_left.rounds) == ((1,), (2,))
        assert found.as_found.sides["front"].difference_mm == -16.0
        assert found.as_found.modes is not None

    def test_says_what_was_written_between_them(self, found: doc.Document) -> None:
        [write] = found.writes
        assert (write.number, write.verified, write.proposal, write.written_by) == (
            1,
            True,
            "computed",
            found.signatures[-1].name,
        )
        change = write.corners["FL"]
        assert change.before == 128
        assert change.intended == change.read_back > 128
        assert found.setpoints["FL"] == doc.SetpointSummary(128, change.read_back, 128)
        assert found.setpoints["RL"] == doc.SetpointSummary(128, 128, 128)

    def test_names_vehicle_people_instrument_and_specification(self, found: doc.Document) -> None:
        assert (found.vehicle.make, found.vehicle.model_year, found.vehicle.odometer_km) == (
            "Brae",
            2024,
            84210.0,
        )
        assert found.operator is not None
        assert found.operator.name.startswith("Operator")
        assert found.tyres["FL"].size == "255/60R18"
        assert found.specification is not None
        assert (found.specification.revision, found.specification.front.tolerance_mm) == (1, 6.0)
        [tape] = found.instruments
        assert (tape.kind, tape.accuracy_class, tape.resolution_mm) == ("tape", "II", 1.0)
        assert tape.calibrated_on is not None
        assert (found.job.note, found.job.remark, found.job.state) == (
            "Sits low.",
            "All well.",
            "signed_off",
        )
        assert found.calculation_version == "1"

    def test_is_signed_over_what_was_shown(self, site: Site) -> None:
        bench = Bench.at(site)
        bench.receive()
        bench.check_readiness()
        bench.measure(jobs.WITHIN)
        shown = bench.case().standing.content_sha256
        bench.sign_off()
        found = document(bench)
        [signature] = found.signatures
        assert (signature.name, signature.role, signature.meaning, signature.content_sha256) == (
            site.technician.membership.name,
            "technician",
            "work_complete",
            shown,
        )
        assert found.ledger is not None
        assert found.ledger.sequence > 3

    def test_lists_readings_readiness_and_follow_ups(self, found: doc.Document) -> None:
        assert [len(each.readings) for each in found.rounds] == [8, 8]
        assert found.rounds[0].temperature_deg_c == 14.0
        assert {entry.outcome for entry in found.readiness} == {"pass"}
        assert len(found.readiness) == 11
        assert "headlamp_aim" in {each.code for each in found.follow_ups}
        assert found.ending is None


def test_vehicle_left_alone_has_one_state_and_no_write(site: Site) -> None:
    found = document(jobs.left_alone(site))
    assert found.as_found == found.as_left
    assert (found.writes, found.follow_ups) == ((), ())
    assert "leave_alone" in {each.code for each in found.findings}


def test_ended_job_says_why_and_what_to_mend(site: Site) -> None:
    found = document(jobs.ended(site))
    assert found.kind == "findings_report"
    assert found.ending is not None
    assert (found.ending.reason, found.ending.ended_by) == (
        "A leak must be mended first.",
        site.technician.membership.name,
    )
    assert found.ending.to_mend == ("Readiness, Leak check: failed (hiss at the rear left).",)
    [leakage] = [entry for entry in found.readiness if entry.item == "leakage"]
    assert (leakage.outcome, leakage.note, leakage.checked_by) == (
        "fail",
        "hiss at the rear left",
        site.technician.membership.name,
    )
    assert [signature.meaning for signature in found.signatures] == ["job_ended"]


def test_job_that_ended_unmeasured_is_a_report_too(site: Site) -> None:
    bench = Bench.at(site)
    bench.receive()
    bench.end("The vehicle was fetched.")
    found = document(bench)
    assert (found.as_found, found.as_left, found.rounds) == (None, None, ())
    assert {entry.outcome for entry in found.readiness} == {"not_done"}


def test_job_without_a_specification_shows_its_readings_unjudged(site: Site) -> None:
    bench = Bench.at(site, vehicle=site.vehicle(vehicle_model=site.vehicle_model()))
    bench.receive()
    bench.check_readiness()
    bench.measure(jobs.WITHIN)
    bench.end("No specification.")
    found = document(bench)
    assert (found.specification, found.as_found) == (None, None)
    assert len(found.rounds[0].readings) == 8
    assert found.ending is not None
    assert any("no specification in force" in sentence for sentence in found.ending.to_mend)


def test_heights_written_and_not_measured_again_are_not_given_as_left(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    proposal = ready.propose()
    ready.write(proposal, proposal.to_setpoints)
    ready.end("The bay is needed.")
    found = document(ready)
    assert found.as_found is not None
    assert found.as_left is None
    assert found.setpoints["FL"].as_left == proposal.to_setpoints["FL"]


def test_struck_reading_stays_visible_with_its_replacement(site: Site, ready: Bench) -> None:
    measured = ready.measure((Decimal(470), Decimal(486), Decimal(504), Decimal(504)))
    reading = measured.reading_rows[0]  # type: ignore[attr-defined]
    inside(
        ready,
        reading_strike,
        by=site.manager,
        record_id=new_id(),
        reading_id=reading.pk,
        reason="Tape slipped",
        replacement={"height_mm": Decimal(471), "confirmed": True},
    )
    ready.end()
    found = document(ready)
    [strike] = found.strikes
    assert (strike.round, strike.corner, strike.height_mm, strike.replacement_mm, strike.reason) == (
        1,
        "FL",
        470.0,
        471.0,
        "Tape slipped",
    )
    assert (strike.struck_by, strike.after_verdict, strike.self_approved) == (
        site.manager.membership.name,
        True,
        False,
    )
    assert [reading.height_mm for reading in found.rounds[0].readings if reading.struck] == [470.0]
    assert found.as_found is not None
    assert found.as_found.corners["FL"].mean_mm == 471.0


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


def test_event_within_the_job_voids_what_was_found_at_its_corner(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    inside(
        ready,
        services.event_record,
        record_id=new_id(),
        vehicle=ready.vehicle,
        kind="sensor_replaced",
        corner="FL",
        happened_at=ready.now,
        note="new sensor",
    )
    ready.check_readiness()
    ready.measure(jobs.WITHIN)
    ready.sign_off()
    found = document(ready)
    [event] = found.events
    assert (event.kind, event.corner, event.note) == ("sensor_replaced", "FL", "new sensor")
    assert found.as_found is not None
    assert "Height sensor replaced" in found.as_found.corners["FL"].void_reason
    assert found.as_found.corners["FR"].void_reason == ""
    assert found.as_left is not None
    assert found.as_left.corners["FL"].void_reason == ""


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
    assert "Parts awaited" in sentence


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


def test_times_are_the_workshops_own(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.filter(pk=site.workshop.pk).update(time_zone="Asia/Kathmandu", length_unit="inch")
    found = document(jobs.left_alone(site))
    assert found.issued_at.utcoffset() == timedelta(hours=5, minutes=45)
    assert found.rounds[0].taken_at.utcoffset() == found.issued_at.utcoffset()
    assert found.units.length == "inch"


def test_operator_is_the_one_of_the_time_of_the_job(site: Site) -> None:
    bench = jobs.left_alone(site)
    then, buyer = bench.vehicle.operator, site.operator()
    document(bench)
    with in_workshop(site.workshop.pk):
        sold_at = bench.now + timedelta(days=1)
        Tenure.objects.filter(vehicle=bench.vehicle).update(ended_at=sold_at)
        Tenure.objects.create(vehicle=bench.vehicle, operator=buyer, began_at=sold_at)
        Vehicle.objects.filter(pk=bench.vehicle.pk).update(operator=buyer)
        replacement = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
        certificate_issue(actor=bench.actor(), certificate_id=replacement.pk)
        snapshot = CertificateFile.objects.get(certificate=replacement).snapshot
    assert snapshot["operator"]["name"] == then.name


def test_later_changes_leave_an_issued_document_as_it_is(site: Site) -> None:
    bench = jobs.left_alone(site)
    before = document(bench)
    with in_workshop(site.workshop.pk):
        Operator.objects.filter(pk=bench.vehicle.operator_id).update(name="Renamed")
        services.vin_correct(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle_id=bench.vehicle.pk,
            vin=new_vin(),
            reason="Mistyped",
        )
    assert document(bench) == before


def test_replacement_names_vin_correction_old_number_and_who_asked(site: Site) -> None:
    bench = jobs.left_alone(site)
    document(bench)
    vin = new_vin()
    with in_workshop(site.workshop.pk):
        services.vin_correct(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle_id=bench.vehicle.pk,
            vin=vin,
            reason="Mistyped",
        )
        old_sha256 = Certificate.objects.get(number=1).file.sha256
        replacement = certificate_replace(
            actor=site.manager.actor(), record_id=new_id(), number=1, reason="VIN corrected"
        )
        certificate_issue(actor=bench.actor(), certificate_id=replacement.pk)
        found = from_json(CertificateFile.objects.get(certificate=replacement).snapshot)
    assert (found.vehicle.vin, found.number, found.replaces, found.replacement_reason) == (
        vin,
        "2",
        "1",
        "VIN corrected",
    )
    assert bench.vehicle.vin in found.vehicle.note
    signature = found.signatures[-1]
    assert (signature.meaning, signature.name, signature.content_sha256) == (
        "certificate_replaced",
        site.manager.membership.name,
        old_sha256,
    )


def test_instrument_shows_the_calibration_that_held_when_it_was_used(site: Site) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        services.instrument_calibrate(
            actor=site.manager.actor(),
            record_id=new_id(),
            instrument=bench.instrument,
            calibrated_on=bench.now.date() + timedelta(days=1),
            calibration_due_on=bench.now.date() + timedelta(days=366),
            certificate_number="K-2",
        )
    [tape] = document(bench).instruments
    assert tape.calibrated_on == site.began_at.date()
    assert tape.calibration_reference == ""


def test_van_with_air_at_the_rear_only_names_what_cannot_be_adjusted(site: Site) -> None:
    low_front = {"target_mm": 486, "tolerance_mm": 6}
    model = site.specification(front=low_front, controlled_corners=["RL", "RR"]).vehicle_model
    bench = Bench.at(site, vehicle=site.vehicle(vehicle_model=model), counts={"RL": 128, "RR": 128})
    bench.receive()
    bench.check_readiness()
    bench.measure((Decimal(470), Decimal(470), Decimal(504), Decimal(504)))
    bench.sign_off()
    found = document(bench)
    assert found.specification is not None
    assert found.specification.controlled_corners == ("RL", "RR")
    assert found.specification.front.setpoint_low is None
    assert set(found.setpoints) == {"RL", "RR"}
    assert found.not_adjustable_here == ("FL", "FR")
    assert [each.corner for each in found.follow_ups] == ["FL", "FR"]

"""What was found and what was left, as the record says it."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from io import BytesIO

import pytest
from pypdf import PdfReader

from calibration.services.rounds import reading_strike
from fleet import services
from fleet.ids import new_id
from reports.certificate import document as doc
from reports.certificate.conclusion import conclude
from reports.certificate.render import render
from tests.factories import Site

from . import jobs
from .jobs import Bench
from .rendering import squeezed
from .snapshots import document, inside


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
    assert any("No specification was in force" in sentence for sentence in found.ending.to_mend)


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


def test_what_was_found_before_an_event_keeps_its_verdict_and_names_the_event(ready: Bench) -> None:
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
    low = found.as_found.corners["FL"]
    assert (low.mean_mm, low.verdict, low.overtaken_by) == (470.5, "outside", "height sensor replaced")
    assert (found.as_found.verdict, found.as_found.corners["FR"].overtaken_by) == ("outside", "")
    assert found.as_left is not None
    assert found.as_left.corners["FL"].overtaken_by == ""
    conclusion = conclude(found)
    assert conclusion.headline == "Repaired: all four corners within tolerance"
    told = " ".join(conclusion.sentences)
    assert "Found outside tolerance before the repair: Front left." in told
    assert "Done since then: height sensor replaced (front left)." in told
    assert "makes it worse" not in told, "the vehicle was not right"
    front = squeezed(PdfReader(BytesIO(render(found))).pages[0].extract_text())
    for shown in ("outside†", "Repaired:allfourcornerswithintolerance", "heightsensorreplaced"):
        assert shown in front


def test_all_work_done_at_a_corner_is_named_once_each(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    for kind in ("spring_replaced", "sensor_replaced", "spring_replaced"):
        inside(
            ready,
            services.event_record,
            record_id=new_id(),
            vehicle=ready.vehicle,
            kind=kind,
            corner="FL",
            happened_at=ready.now,
            note="",
        )
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert found.as_found is not None
    assert found.as_found.corners["FL"].overtaken_by == "spring replaced; height sensor replaced"


def test_a_first_round_that_arrives_late_is_what_was_found(ready: Bench) -> None:
    measured_at = ready.now
    ready.counts = {**jobs.COUNTS, "FL": 145}
    ready.measure(jobs.WITHIN)
    ready.write(None, ready.counts, written_at=measured_at + timedelta(seconds=30))
    ready.counts = dict(jobs.COUNTS)
    ready.measure(jobs.LOW_FRONT_LEFT, taken_at=measured_at)
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert found.as_found is not None
    assert (found.as_found.corners["FL"].mean_mm, found.as_found.verdict) == (470.5, "outside")


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


def test_work_on_a_whole_vehicle_is_named_at_every_corner(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    inside(
        ready,
        services.event_record,
        record_id=new_id(),
        vehicle=ready.vehicle,
        kind="control_unit_replaced",
        corner="",
        happened_at=ready.now,
        note="",
    )
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert found.as_found is not None
    assert {each.overtaken_by for each in found.as_found.corners.values()} == {"control unit replaced"}
    assert found.as_left is None


def test_an_alignment_overtakes_nothing(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    inside(
        ready,
        services.event_record,
        record_id=new_id(),
        vehicle=ready.vehicle,
        kind="alignment",
        corner="",
        happened_at=ready.now,
        note="",
    )
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert found.as_found == found.as_left


def test_unsettled_and_raised_rounds_are_departures(ready: Bench) -> None:
    ready.measure(jobs.WITHIN, settled=False)
    ready.measure(jobs.WITHIN, ride_position="raised")
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert found.departures == (
        "Round 1 was measured before the suspension had settled and is not judged.",
        "Round 2 was measured at the ride position “raised” and is not judged.",
    )
    assert found.as_found is None


def test_a_wait_that_was_cut_short_is_a_departure(ready: Bench) -> None:
    ready.measure(jobs.WITHIN)
    ready.measure(jobs.WITHIN, settling_cut_short_s=35)
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert found.departures == ("Before round 2 the wait for the vehicle to settle was cut short after 35 s.",)
    assert [each.settling_cut_short_s for each in found.rounds] == [None, 35]
    assert found.as_found is not None


def test_a_round_received_twice_is_shown_and_said_not_to_count(ready: Bench) -> None:
    first = ready.measure(jobs.LOW_FRONT_LEFT)
    ready.measure(jobs.LOW_FRONT_LEFT, taken_at=first.taken_at)
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert [each.repeats for each in found.rounds] == [None, 1]
    assert found.as_found is not None
    assert (found.as_found.rounds, found.as_found.corners["FL"].readings) == ((1,), 2)
    assert [each.number for each in found.counted_rounds] == [1]


def test_a_round_received_twice_departs_from_the_method_once(ready: Bench) -> None:
    first = ready.measure(jobs.WITHIN, settled=False)
    ready.measure(jobs.WITHIN, settled=False, taken_at=first.taken_at)
    ready.end("Continued tomorrow.")
    [sentence] = document(ready).departures
    assert sentence.startswith("Round 1 was measured before")


def test_a_write_received_twice_is_shown_and_said_not_to_count(ready: Bench) -> None:
    ready.measure(jobs.LOW_FRONT_LEFT)
    proposal = ready.propose()
    first = ready.write(proposal, proposal.to_setpoints)
    ready.write(proposal, proposal.to_setpoints, written_at=first.written_at)
    ready.measure(jobs.WITHIN)
    ready.end("Continued tomorrow.")
    found = document(ready)
    assert [each.repeats for each in found.writes] == [None, 1]
    assert found.writes[0].corners == found.writes[1].corners
    assert [each.number for each in found.counted_writes] == [1]

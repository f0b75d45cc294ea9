"""Findings on a document: what was seen, whether it is settled, how and by whom."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from calibration.models import Finding
from calibration.services.decisions import finding_rule
from calibration.services.rounds import reading_strike, readings_add
from fleet import services
from fleet.ids import new_id
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from reports.certificate import document as doc
from reports.snapshot.finding_words import REMEDIES, STATEMENTS
from tests.factories import SPECIFICATION, TYRE, Site

from . import jobs
from .jobs import Bench
from .snapshots import document, inside

TWISTED = (Decimal(496), Decimal(476), Decimal(494), Decimal(514))
VALUES: dict[str, Any] = {
    "round": "x",
    "readings": 2,
    "range_mm": 10.0,
    "value_mm": 490.5,
    "before_mm": 481.5,
    "limit_mm": 2.92,
    "warp_mm": -11.2,
    "expanded_uncertainty_mm": 2.7,
    "floor_warp_mm": -3.4,
    "odometer_km": 84000.0,
    "before_km": 84210.5,
    "read": -6,
    "expected": 3,
    "wanted": -27,
    "other": 4,
    "low": -100,
    "high": 100,
    "happened_at": "2026-06-19T09:47:12.345678+00:00",
    "later_at": "2026-06-19T09:48:12.345678+00:00",
    "opened_at": "2026-06-19T08:45:00.000001+00:00",
    "recorded_at": "2026-06-19T08:50:59.999999+00:00",
    "serial": "TL-T07",
    "calibration_due_on": "2026-05-01",
    "day_on": "2019-03-05",
    "known_at": "2026-06-18T16:20:30.000001+00:00",
    "revision": 3,
    "height_mm": 290.5,
    "target_mm": 486.0,
    "corners": ["FL", "RR"],
    "items": ["leakage"],
    "size": "235/60R16",
    "listed": ["235/65R16C", "215/70R15"],
    "capacity_kg": 900,
    "half_load_kg": 975,
    "expected_move_mm": 21.8,
    "observed_move_mm": -1.0,
}


def raised(bench: Bench, code: str, **fields: Any) -> None:
    """A finding as the rules record it."""
    severity = fields.pop("severity", "review")
    with in_workshop(bench.site.workshop.pk):
        Finding.objects.create(
            job_id=bench.job_id,
            recorded_at=bench.now,
            key=f"{code}:{fields.get('corner', '')}",
            code=code,
            severity=severity,
            **{"values": VALUES, **fields},
        )


def entry(found: doc.Document, code: str) -> doc.FindingEntry:
    [one] = [each for each in found.findings if each.code == code]
    return one


def ended(bench: Bench, code: str) -> doc.FindingEntry:
    bench.end("Enough.")
    return entry(document(bench), code)


class TestWords:
    def test_every_finding_is_told_without_codes_fractions_of_seconds_or_hyphens_for_signs(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        for code in STATEMENTS:
            raised(ready, code, corner="FL")
        ready.end("Enough.")
        findings = document(ready).findings
        assert {each.code for each in findings} >= set(STATEMENTS)
        for told in findings:
            for raw in ("FL", "RR", "%(", "–", ".345", "+00:00", "T09", " -", "leakage", told.code):
                assert raw not in told.detail, told

    def test_times_are_whole_minutes_in_the_documents_one_zone(self, site: Site, ready: Bench) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.filter(pk=site.workshop.pk).update(time_zone="Asia/Kathmandu")
        raised(ready, "clock_wrong")
        assert ended(ready, "clock_wrong").detail == (
            "Recorded for 19 Jun 2026, 15:32, which cannot be right: the job was opened at 19 Jun 2026, 14:30, "
            "and the record was received at 19 Jun 2026, 14:35."
        )

    def test_figures_have_the_readers_unit_and_a_minus(self, site: Site, ready: Bench) -> None:
        raised(ready, "large_warp", severity="note")
        raised(ready, "odometer_lower", severity="note")
        raised(ready, "write_not_verified", corner="FL")
        ready.end("Enough.")
        found = document(ready)
        assert "twisted across the diagonal by −11.2 mm ± 2.7 mm; from 2.9 mm on" in entry(found, "large_warp").detail
        assert "stood at 84\u202f000 km, below the 84\u202f211 km" in entry(found, "odometer_lower").detail
        assert entry(found, "write_not_verified").detail == "−27 was to be stored, and −6 was read back."

    def test_figures_are_in_inches_for_a_workshop_that_reads_inches(self, site: Site, ready: Bench) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.filter(pk=site.workshop.pk).update(length_unit="inch")
        raised(ready, "pair_disagrees", severity="note", corner="FL")
        detail = ended(ready, "pair_disagrees").detail
        assert detail == "The readings differed by 0.39 in; repeated readings may by 0.11 in."

    def test_lists_are_told_by_name(self, ready: Bench) -> None:
        raised(ready, "setpoints_incomplete")
        raised(ready, "measured_before_readiness", severity="note")
        ready.end("Enough.")
        found = document(ready)
        assert "Front left, Rear right missing" in entry(found, "setpoints_incomplete").detail
        assert "not checked or had failed: Leak check." in entry(found, "measured_before_readiness").detail

    def test_a_side_is_told_by_its_axle(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        raised(ready, "not_adjustable_here", severity="note", values={"axle": "rear"})
        detail = ended(ready, "not_adjustable_here").detail
        assert detail == "Rear side difference: No set-point could bring this within tolerance."

    def test_a_value_that_is_missing_is_a_dash_and_an_unknown_code_is_no_failure(self, ready: Bench) -> None:
        raised(ready, "instrument_overdue", values={"serial": "TL-T07", "calibration_due_on": None})
        raised(ready, "of_another_version")
        ready.end("Enough.")
        found = document(ready)
        assert entry(found, "instrument_overdue").detail.endswith("was due (–).")
        assert entry(found, "of_another_version").detail == ""

    def test_every_remedy_is_for_a_finding_that_has_words(self) -> None:
        assert set(REMEDIES) <= set(STATEMENTS)


class TestPairs:
    @pytest.fixture
    def apart(self, ready: Bench) -> Bench:
        self.measured = ready.measure(jobs.WITHIN, spread={"FL": 8})
        return ready

    def test_a_struck_reading_settles_its_pair(self, site: Site, apart: Bench) -> None:
        inside(
            apart,
            reading_strike,
            by=site.manager,
            record_id=new_id(),
            reading_id=self.measured.reading_rows[1].pk,  # type: ignore[attr-defined]
            reason="Tape slipped",
            replacement={"height_mm": Decimal(486), "confirmed": True},
        )
        told = ended(apart, "pair_disagrees")
        assert told.status == "settled"
        assert told.settled.startswith(f"a reading was struck out and replaced by {site.manager.membership.name}, ")

    def test_further_readings_settle_their_pair(self, site: Site, apart: Bench) -> None:
        readings = [{"corner": "FL", "height_mm": Decimal(486), "confirmed": True} for _ in range(2)]
        inside(apart, readings_add, record_id=new_id(), round_id=self.measured.pk, readings=readings)
        told = ended(apart, "pair_disagrees")
        assert told.status == "settled"
        assert told.settled.startswith(f"the corner was read again by {site.technician.membership.name}, ")
        assert told.settled.endswith("; the median counts")

    def test_another_round_settles_it(self, site: Site, apart: Bench) -> None:
        apart.measure(jobs.WITHIN)
        told = ended(apart, "pair_disagrees")
        assert told.settled.startswith(f"measured again in round 2 by {site.technician.membership.name}, ")

    def test_nothing_else_settles_it(self, apart: Bench) -> None:
        told = ended(apart, "pair_disagrees")
        assert (told.status, told.settled) == ("note", "")


class TestOvertaken:
    def test_a_twist_that_stays_is_not_settled_by_measuring_it_again(self, ready: Bench) -> None:
        ready.measure(TWISTED)
        ready.measure(TWISTED)
        assert ended(ready, "large_warp").status == "note"

    def test_a_twist_that_is_gone_is_settled_by_the_round_that_shows_it_not_by_one_that_still_had_it(
        self, ready: Bench
    ) -> None:
        ready.measure(TWISTED)
        ready.measure(TWISTED)
        ready.write(None, {**jobs.COUNTS, "FL": 120})
        ready.measure(jobs.WITHIN)
        assert ended(ready, "large_warp").settled.startswith("measured again in round 3 by ")

    def test_a_twist_that_nothing_was_measured_after_is_not_settled(self, ready: Bench) -> None:
        ready.measure(TWISTED)
        ready.write(None, {**jobs.COUNTS, "FL": 120})
        told = ended(ready, "large_warp")
        assert (told.status, told.settled) == ("note", "")

    def test_a_mismatch_is_settled_once_what_was_meant_is_stored(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        proposal = ready.propose()
        ready.write(proposal, {**proposal.to_setpoints, "FL": 129})
        ready.write(proposal, proposal.to_setpoints)
        assert ended(ready, "write_not_verified").settled.startswith("read anew by ")

    def test_a_mismatch_that_stays_is_open(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        proposal = ready.propose()
        ready.write(proposal, {**proposal.to_setpoints, "FL": 129})
        ready.measure(jobs.LOW_FRONT_LEFT)
        assert ended(ready, "write_not_verified").status == "open"

    def test_a_misread_count_is_settled_by_a_round_that_reads_what_was_expected(self, ready: Bench) -> None:
        ready.measure(jobs.WITHIN)
        ready.counts = {**jobs.COUNTS, "FL": 182}
        ready.measure(jobs.WITHIN)
        ready.counts = dict(jobs.COUNTS)
        ready.measure(jobs.WITHIN)
        ready.end("Enough.")
        [told] = [each for each in document(ready).findings if each.code == "setpoints_changed_elsewhere"]
        assert (told.status, told.detail) == ("settled", "The set-point read was 182, where 128 was expected.")

    def outside_the_band(self, ready: Bench) -> None:
        ready.measure(jobs.WITHIN)
        ready.counts = {**jobs.COUNTS, "FL": 230}
        for _ in range(2):
            ready.measure(jobs.WITHIN)

    def test_a_count_outside_its_band_stays_open_while_it_is_read_again(self, ready: Bench) -> None:
        self.outside_the_band(ready)
        told = ended(ready, "setpoint_out_of_range")
        assert told.detail == "The set-point read was 230, outside 40 to 215. Expected was 128."
        assert told.status == "open"

    def test_a_count_outside_its_band_is_settled_by_one_inside_it(self, ready: Bench) -> None:
        self.outside_the_band(ready)
        ready.counts = dict(jobs.COUNTS)
        ready.measure(jobs.WITHIN)
        assert ended(ready, "setpoint_out_of_range").settled.startswith("read anew by ")

    def test_a_changed_count_that_is_still_read_stays_open(self, ready: Bench) -> None:
        ready.measure(jobs.WITHIN)
        ready.counts = {**jobs.COUNTS, "FL": 182}
        ready.measure(jobs.WITHIN)
        ready.measure(jobs.WITHIN)
        assert ended(ready, "setpoints_changed_elsewhere").status == "open", "nothing since contradicts it"

    @pytest.mark.parametrize("code", ["setpoint_out_of_range", "setpoints_incomplete", "linked_setpoints_differ"])
    def test_impossible_counts_are_settled_by_a_round_that_reads_possible_ones(self, ready: Bench, code: str) -> None:
        measured = ready.measure(jobs.WITHIN)
        values = {**VALUES, "read": 999, "low": 0, "high": 255}
        raised(ready, code, corner="FL", source_type="round", source_id=measured.pk, values=values)
        ready.measure(jobs.WITHIN)
        assert ended(ready, code).settled.startswith("read anew by ")

    @pytest.mark.parametrize("code", ["setpoint_out_of_range", "setpoints_incomplete"])
    def test_impossible_counts_stay_open_while_nothing_else_was_read(self, ready: Bench, code: str) -> None:
        measured = ready.measure(jobs.WITHIN)
        raised(ready, code, corner="FL", source_type="round", source_id=measured.pk)
        assert ended(ready, code).status == "open"

    def test_a_limit_is_overtaken_by_another_round(self, ready: Bench) -> None:
        measured = ready.measure(jobs.WITHIN)
        raised(ready, "limits_exhausted", corner="FL", severity="stop", source_type="round", source_id=measured.pk)
        ready.measure(jobs.WITHIN)
        assert ended(ready, "limits_exhausted").settled.startswith("measured again in round 2 by ")

    def test_what_ended_by_itself_says_at_least_that(self, ready: Bench) -> None:
        ready.measure(jobs.WITHIN)
        raised(ready, "limits_exhausted", corner="FL", severity="stop")
        assert ended(ready, "limits_exhausted").settled == "no longer so at the end of the job"

    def test_a_specification_settles_that_there_was_none(self, site: Site) -> None:
        bench = Bench.at(site, vehicle=site.vehicle(vehicle_model=site.vehicle_model()))
        bench.receive()
        bench.measure(jobs.WITHIN)
        inside(
            bench,
            services.specification_add,
            by=site.manager,
            record_id=new_id(),
            vehicle_model=bench.vehicle.vehicle_model,
            specification=SPECIFICATION,
        )
        assert ended(bench, "no_specification").settled == "specification revision 1 was recorded"

    def test_other_tyres_settle_tyres_that_were_not_listed(self, ready: Bench) -> None:
        raised(ready, "tyre_not_listed", corner="FL")
        inside(
            ready,
            services.fitment_record,
            record_id=new_id(),
            vehicle=ready.vehicle,
            fitted_on=ready.now.date(),
            tyres={corner: dict(TYRE) for corner in jobs.CORNERS},
        )
        assert ended(ready, "tyre_not_listed").settled.startswith("other tyres were recorded by ")

    def test_tyres_that_stay_on_are_not_called_changed(self, ready: Bench) -> None:
        raised(ready, "tyre_not_listed", corner="FL")
        assert ended(ready, "tyre_not_listed").settled == "no longer so at the end of the job"

    def test_readiness_settles_that_it_came_after_the_round(self, site: Site) -> None:
        bench = Bench.at(site)
        bench.receive()
        bench.measure(jobs.WITHIN)
        bench.check_readiness()
        told = ended(bench, "measured_before_readiness")
        assert told.settled.startswith(f"checked by {site.technician.membership.name}, ")

    def test_a_ruling_settles_by_itself(self, site: Site, ready: Bench) -> None:
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
        told = ended(ready, "write_without_proposal")
        assert (told.status, told.settled) == ("settled", "")
        assert told.ruling is not None
        assert told.ruling.ruled_by == site.manager.membership.name

    def test_work_at_another_corner_settles_nothing(self, ready: Bench) -> None:
        jobs.suspect_front_left(ready)
        inside(
            ready,
            services.event_record,
            record_id=new_id(),
            vehicle=ready.vehicle,
            kind="sensor_replaced",
            corner="RR",
            happened_at=ready.now,
            note="",
        )
        assert ended(ready, "corner_not_responding").status == "open"

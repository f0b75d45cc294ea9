"""What was measured or written once counts once, however often and under whatever name it is sent."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from calibration.models import Finding, Reading, RepeatabilitySums, Round, Write
from calibration.selectors.setpoints import setpoint_changes
from calibration.selectors.vehicle_setpoints import baseline_of, left_by
from calibration.services.repeats import readings_sent_before
from fleet.errors import Conflict
from fleet.ids import new_id
from tests.calibration.api.http_bench import ONE_HIGH, HttpBench, moment, readings
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site

SEEN_BY = {"temperature_deg_c": 18.5, "recorded_from": "paper"}
"""Differences that do not make another measurement of it."""


@pytest.fixture
def http(site: Site) -> HttpBench:
    bench = HttpBench.of(site)
    bench.open_job()
    bench.make_ready()
    return bench


def send(http: HttpBench, kind: str, body: dict[str, Any], person: Any = None) -> Any:
    return http.post(f"/jobs/{http.job}/{kind}/", body, person)


class TestWithoutAnId:
    def test_a_round_sent_again_is_the_round_that_is_there(self, http: HttpBench) -> None:
        body = http.round_body(ONE_HIGH)
        first, again = send(http, "rounds", body), send(http, "rounds", body)
        assert (first.status_code, again.status_code) == (201, 200)
        assert again.json() == first.json()
        assert Round.objects.count() == 1
        assert http.state()["assessment"]["rounds"] == [first.json()["id"]]

    def test_it_is_known_also_after_readings_were_added(self, http: HttpBench) -> None:
        body = http.round_body()
        first = send(http, "rounds", body).json()
        http.made(f"/rounds/{first['id']}/readings/", {"readings": readings({"FL": 486}, 1)})
        again = send(http, "rounds", body)
        assert (again.status_code, again.json()["id"]) == (200, first["id"])
        assert len(again.json()["readings"]) == 9

    def test_it_is_known_by_one_that_had_an_id(self, http: HttpBench) -> None:
        body = http.round_body()
        first = send(http, "rounds", {"id": str(new_id()), **body}).json()
        assert send(http, "rounds", body).json()["id"] == first["id"]

    @pytest.mark.parametrize("change", ["taken_at", "settled", "setpoints", "readings", "ride_position"])
    def test_a_round_that_differs_is_another(self, http: HttpBench, change: str) -> None:
        body = http.round_body()
        send(http, "rounds", body)
        others: dict[str, Any] = {
            "taken_at": moment(-1.5),
            "settled": False,
            "setpoints": {**http.setpoints, "FL": 129},
            "readings": readings(ONE_HIGH),
            "ride_position": "raised",
        }
        other = send(http, "rounds", {**body, change: others[change]})
        assert (other.status_code, other.json()["repeats"]) == (201, None)
        assert Round.objects.count() == 2

    def test_a_write_sent_again_is_the_write_that_is_there(self, http: HttpBench) -> None:
        send(http, "rounds", http.round_body(ONE_HIGH))
        proposal = http.propose()
        body = {"proposal": proposal["id"], "written_at": moment(), "read_back": proposal["to_setpoints"]}
        first, again = send(http, "writes", body), send(http, "writes", body)
        assert (first.status_code, again.status_code) == (201, 200)
        assert again.json() == first.json()
        assert Write.objects.count() == 1
        later = send(http, "writes", {**body, "written_at": moment(0.001)})
        assert later.status_code == 201

    def test_further_readings_sent_again_are_added_once(self, http: HttpBench) -> None:
        address = f"/rounds/{http.measure(ONE_HIGH)['id']}/readings/"
        body = {"readings": readings({"FL": 497}, 2)}
        first, again = http.post(address, body), http.post(address, body)
        assert (first.status_code, again.status_code) == (201, 200)
        assert again.json() == first.json()
        assert Reading.objects.count() == 10

    @pytest.mark.parametrize("change", ["height", "corner", "number", "person", "id"])
    def test_further_readings_that_differ_are_others(self, http: HttpBench, change: str) -> None:
        address = f"/rounds/{http.measure(ONE_HIGH)['id']}/readings/"
        body = {"readings": readings({"FL": 497}, 1)}
        http.post(address, body)
        others: dict[str, Any] = {
            "height": readings({"FL": 496}, 1),
            "corner": readings({"FR": 497}, 1),
            "number": readings({"FL": 497}, 2),
            "id": [{"id": str(new_id()), **body["readings"][0]}],
        }
        person = http.manager if change == "person" else None
        other = http.post(address, {"readings": others.get(change, body["readings"])}, person)
        assert other.status_code == 201

    def test_what_replaced_a_struck_reading_is_none_that_was_added(self, http: HttpBench) -> None:
        measured = send(http, "rounds", http.round_body(ONE_HIGH, settled=False)).json()
        strike = {"reason": "Wrong mark.", "replacement": {"height_mm": 497}}
        reading = next(each for each in measured["readings"] if each["corner"] == "FL")
        http.made(f"/readings/{reading['id']}/strike/", strike)
        http.made(f"/rounds/{measured['id']}/readings/", {"readings": readings({"FL": 497}, 1)})

    def test_what_another_person_sends_is_their_own_record(self, http: HttpBench) -> None:
        body = http.round_body()
        first = send(http, "rounds", body).json()
        other = send(http, "rounds", body, http.manager)
        assert (other.status_code, other.json()["repeats"]) == (201, first["id"])


def test_the_same_number_read_again_a_minute_later_is_another_reading(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 480})
    added = bench.read_again("FL", 481)
    said = [{"corner": "FL", "height_mm": Decimal(481)}]
    for seconds, known in ((59, True), (60, False)):
        actor = bench.technician.actor(bench.now + timedelta(seconds=seconds))
        assert (readings_sent_before(actor=actor, measured=added, readings=said) == added) is known


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    return bench


def repeated(bench: Bench, measured: Round, **fields: Any) -> Round:
    """The same round under another id."""
    heights = {row.corner: float(row.height_mm) for row in measured.reading_rows}  # type: ignore[attr-defined]
    same: dict[str, Any] = {"taken_at": measured.taken_at, "setpoints": measured.setpoints, **fields}
    return bench.measure(heights, **same)


class TestUnderAnotherId:
    def test_a_round_is_stored_and_not_pooled(self, bench: Bench) -> None:
        measured = bench.measure({"FL": 480})
        before = bench.standing.assessment
        again = repeated(bench, measured, **SEEN_BY)
        assert again.repeats_id == measured.pk
        assert bench.standing.assessment == before
        assert [each.id for each in bench.standing.course.rounds] == [measured.pk]

    def test_a_finding_names_the_round_and_blocks_the_sign_off(self, bench: Bench) -> None:
        measured = bench.measure()
        assert bench.next_step == "sign_off"
        again = repeated(bench, measured)
        found = Finding.objects.get(code="repeats_earlier_record")
        assert (found.source_id, found.severity) == (again.pk, "review")
        assert found.values["repeats"] == str(measured.pk)
        assert (bench.next_step, bench.reason) == ("get_approval", "rulings_missing")

    @pytest.mark.parametrize("decision", ["accept", "reject"])
    def test_no_ruling_makes_it_count(self, bench: Bench, decision: str) -> None:
        measured = bench.measure()
        repeated(bench, measured)
        bench.rule("repeats_earlier_record", decision)
        assert [each.id for each in bench.standing.course.pool] == [measured.pk]
        assert bench.next_step == ("sign_off" if decision == "accept" else "inspect")

    def test_nobodys_repeatability_is_learned_from_it(self, bench: Bench) -> None:
        measured = bench.measure()
        known = RepeatabilitySums.objects.get().degrees_of_freedom
        again = repeated(bench, measured)
        bench.read_again("FL", 486, 487, measured=again)
        assert RepeatabilitySums.objects.get().degrees_of_freedom == known

    def test_readings_added_to_it_count_nothing_and_are_signed_for(self, bench: Bench) -> None:
        again = repeated(bench, bench.measure())
        before, signed = bench.standing.assessment, bench.standing.content_sha256
        bench.read_again("FL", 499, measured=again)
        assert bench.standing.assessment == before
        assert bench.standing.content_sha256 != signed

    def test_an_open_proposal_stays_open(self, bench: Bench) -> None:
        measured = bench.measure({"FL": 470})
        proposal = bench.propose()
        repeated(bench, measured)
        assert bench.standing.open_proposal is not None
        assert bench.standing.open_proposal.id == proposal.pk

    def test_a_refused_approval_is_not_got_round_with_it(self, bench: Bench) -> None:
        measured = bench.measure({"FL": 470})
        bench.enter(RR=COUNTS["RR"] + 1)
        bench.decide("refuse")
        repeated(bench, measured)
        assert bench.reason == "approval_refused"

    def test_a_write_is_stored_and_not_counted(self, bench: Bench) -> None:
        bench.measure({"FL": 470})
        written = bench.write(bench.propose())
        bench.measure({"FL": 477})
        next_proposal = bench.propose()
        again = bench.write(written.proposal, written.read_back, written_at=written.written_at)
        assert again.repeats_id == written.pk
        assert [each.id for each in bench.standing.course.writes] == [written.pk]
        assert bench.standing.open_proposal is not None
        assert bench.standing.open_proposal.id == next_proposal.pk
        assert bench.codes() == ["repeats_earlier_record"]

    def test_a_write_that_was_read_back_otherwise_is_none(self, bench: Bench) -> None:
        bench.measure({"FL": 470})
        written = bench.write(bench.propose())
        other = {**written.read_back, "RR": 9}
        assert bench.write(written.proposal, other, written_at=written.written_at).repeats_id is None

    def test_arriving_late_it_tells_nothing_new_of_the_set_points(self, bench: Bench) -> None:
        """Its clock counts as wrong by then, so that it would stand after everything else."""
        measured = bench.measure({"FL": 470})
        written = bench.write(bench.propose())
        last = bench.measure()
        bench.event("sensor_replaced", "FL")
        repeated(bench, measured, taken_at=measured.taken_at)
        actor = bench.actor()
        assert left_by(bench.case.job) == (last.happened_at, written.read_back)
        assert "FL" not in baseline_of(bench.vehicle.pk, 0, 255)
        assert {each.sighting.id for each in setpoint_changes(actor, bench.vehicle)} == {written.pk}

    def test_with_a_clock_that_is_wrong_it_is_known_after_a_write_too(self, bench: Bench) -> None:
        """Both count from their arrival, and the write lies between."""
        measured = bench.measure({"FL": 470}, taken_at=bench.now - timedelta(days=365))
        bench.write(bench.propose())
        assert repeated(bench, measured).repeats_id == measured.pk
        assert bench.next_step == "settle_and_measure"

    def test_after_the_sign_off_it_is_put_before_the_manager(self, bench: Bench) -> None:
        measured = bench.measure()
        bench.sign_off()
        repeated(bench, measured)
        assert {"repeats_earlier_record", "recorded_after_close"} <= set(bench.codes())
        bench.rule("recorded_after_close")
        with pytest.raises(Conflict):
            bench.rule("recorded_after_close")

    @pytest.mark.parametrize(("seconds", "is_a_copy"), [(0.000_001, True), (-59, True), (60, False)])
    def test_a_round_of_the_same_heights_is_another_from_the_time_on_that_measuring_takes(
        self, bench: Bench, seconds: float, is_a_copy: bool
    ) -> None:
        measured = bench.measure({"FL": 480})
        again = repeated(bench, measured, taken_at=measured.taken_at + timedelta(seconds=seconds))
        assert (again.repeats_id == measured.pk) is is_a_copy

    def test_a_round_of_other_heights_is_another_however_soon(self, bench: Bench) -> None:
        measured = bench.measure({"FL": 480})
        assert bench.measure({"FL": 481}, taken_at=measured.taken_at).repeats_id is None
        assert len(bench.standing.course.pool) == 2

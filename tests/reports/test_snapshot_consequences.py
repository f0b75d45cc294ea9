"""What the change of heights did, from as found to as left, and the work that follows from it."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from calibration.rules.consequences import Body
from calibration.services.proposals import proposal_enter, reversion_begin
from fleet import services
from fleet.ids import new_id
from reports.certificate import document as doc
from reports.certificate.document import from_json, to_json
from tests.factories import Site

from . import jobs
from .jobs import Bench
from .rendering import rendered_text
from .snapshots import document, inside

LENGTHS = {"front_overhang_mm": 900, "rear_overhang_mm": 1020, "ground_clearance_mm": 190}
NONE_OF_THEM = dict.fromkeys(
    (*LENGTHS, "headlamp_height_mm", "headlamp_inclination_pct", "cg_height_mm", "reference_tyre")
)
ALL_WORK = ["headlamp_aim", "wheel_alignment", "driver_assistance"]
HEADING = "What the change of heights does, as found → as left (body taken as stiff)"


def vehicle_with(site: Site, **changes: Any) -> Any:
    return site.vehicle(vehicle_model=site.specification(**changes).vehicle_model)


def codes(found: doc.Document) -> list[str]:
    return [each.code for each in found.follow_ups]


def check_low_front_left_raised(found: doc.Consequences | None) -> None:
    """Front left was measured 16 mm higher afterwards."""
    assert found is not None
    assert (found.heave_change_mm, found.pitch_change_mm, found.roll_change_mm) == (4.0, 8.0, 8.0)
    assert found.headlamp_inclination_change_pct == pytest.approx(100 * 8 / 2885, abs=0.0006)
    assert found.ground_clearance_mm == doc.BeforeAfter(186.5, 190.5)
    assert found.headlamp_inclination_pct == doc.BeforeAfter(-1.2, -0.923)
    assert found.approach_deg is not None
    assert found.approach_deg.after > found.approach_deg.before


class TestAdjusted:
    def test_figures_are_those_of_the_measured_heights(self, site: Site) -> None:
        found = document(jobs.adjusted(site, vehicle=vehicle_with(site, **LENGTHS)))
        check_low_front_left_raised(found.consequences)
        assert codes(found) == ALL_WORK
        assert from_json(to_json(found)) == found

    def test_front_and_rear_confused_are_caught(self, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
        right = Body.at
        monkeypatch.setattr(Body, "at", lambda body, heights: right(body, (*heights[2:], *heights[:2])))
        found = document(jobs.adjusted(site, vehicle=vehicle_with(site, **LENGTHS)))
        with pytest.raises(AssertionError):
            check_low_front_left_raised(found.consequences)

    def test_without_the_lengths_only_what_the_heights_tell_is_given(self, site: Site) -> None:
        found = document(jobs.adjusted(site, vehicle=vehicle_with(site, **NONE_OF_THEM)))
        assert found.consequences is not None
        assert found.consequences.headlamp_inclination_change_pct == pytest.approx(0.277, abs=0.001)
        assert found.consequences.ground_clearance_mm is found.consequences.approach_deg is None
        text = rendered_text(found)
        assert f"{HEADING}: headlamp beams +0.28 % (+ upwards; check local rules)." in text
        assert "round clearance" not in text

    def test_a_verdict_is_never_given_on_them(self, site: Site) -> None:
        text = rendered_text(document(jobs.adjusted(site, vehicle=vehicle_with(site, **LENGTHS))))
        told = text[text.index(HEADING) : text.index("Measuring instruments and readiness")]
        assert "(+ upwards; check local rules), −1.20 → −0.92 % if aimed as specified before; ground clearance" in told
        assert "ramp breakover angle" in told
        assert not any(word in told for word in ("within", "outside", "permitted", "allowed"))


class TestNamedByTheWholeJob:
    def test_a_vehicle_left_alone_names_nothing(self, site: Site) -> None:
        found = document(jobs.left_alone(site, vehicle=vehicle_with(site, **LENGTHS)))
        assert (found.consequences, found.follow_ups) == (None, ())
        assert HEADING not in rendered_text(found)

    def test_a_small_entered_change_names_all_even_where_the_tape_cannot_show_it(
        self, site: Site, ready: Bench
    ) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        by_hand = inside(
            ready,
            proposal_enter,
            record_id=new_id(),
            job_id=ready.job_id,
            setpoints={**jobs.COUNTS, "FL": 129},
            justification="One count, to see whether it moves.",
        )
        ready.write(by_hand, by_hand.to_setpoints)
        ready.measure((Decimal(471), *jobs.LOW_FRONT_LEFT[1:]))
        ready.end("Seen.")
        assert codes(document(ready)) == ALL_WORK

    def test_a_write_without_a_proposal_names_them(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        ready.write(None, {**jobs.COUNTS, "FL": 145})
        ready.end("To be looked at.")
        found = document(ready)
        assert (found.as_left, found.consequences) == (None, None)
        assert codes(found) == ALL_WORK

    def test_what_came_back_to_the_heights_found_names_nothing(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        proposal = ready.propose()
        ready.write(proposal, proposal.to_setpoints)
        ready.measure(jobs.WITHIN)
        back = inside(ready, reversion_begin, record_id=new_id(), job_id=ready.job_id, reason="Asked for.")
        while back is not None:
            ready.write(back, back.to_setpoints)
            opened = ready.case().standing.open_proposal
            back = next((each for each in ready.case().proposals if opened and each.pk == opened.id), None)
        ready.measure(jobs.LOW_FRONT_LEFT)
        found = document(ready)
        assert found.job.state == "reverted"
        assert found.consequences is not None
        assert found.consequences.pitch_change_mm == 0
        assert found.follow_ups == ()

    def test_a_repair_that_moved_the_body_names_them_without_any_write(self, ready: Bench) -> None:
        ready.measure(jobs.LOW_FRONT_LEFT)
        inside(
            ready,
            services.event_record,
            record_id=new_id(),
            vehicle=ready.vehicle,
            kind="spring_replaced",
            corner="FL",
            happened_at=ready.now,
            note="",
        )
        ready.check_readiness()
        ready.measure(jobs.WITHIN)
        ready.sign_off()
        found = document(ready)
        assert found.writes == ()
        assert found.consequences is not None
        assert codes(found) == ALL_WORK

"""Tolerances that a tape cannot decide: measured until nothing is gained, then another person's decision."""

from __future__ import annotations

from typing import Any

import pytest

from calibration.services import decisions
from fleet.errors import Conflict, Forbidden
from fleet.ids import new_id
from tests.calibration.bench import Bench
from tests.factories import SPECIFICATION, Person, Site

NARROW: dict[str, Any] = {axle: {**SPECIFICATION[axle], "tolerance_mm": 1.5} for axle in ("front", "rear")}
"""Narrower than the expanded uncertainty of a tape even with three rounds pooled."""


@pytest.fixture
def undecided(site: Site) -> Bench:
    """Three settled rounds on target, and still undecided."""
    bench = Bench.open(site, site.vehicle(vehicle_model=site.specification(**NARROW).vehicle_model))
    bench.ready()
    for _ in range(3):
        bench.measure()
    return bench


def test_it_settles_and_measures_until_three_rounds_are_pooled(site: Site) -> None:
    bench = Bench.open(site, site.vehicle(vehicle_model=site.specification(**NARROW).vehicle_model))
    bench.ready()
    for _ in range(2):
        bench.measure()
        assert (bench.next_step, bench.reason) == ("settle_and_measure", "round_can_decide")
    bench.measure()
    assert (bench.next_step, bench.reason) == ("get_approval", "tape_cannot_decide")
    approval = bench.standing.open_approval
    assert approval is not None
    assert approval.subject == "sign_off"
    assert approval.content_sha256 == bench.standing.content_sha256


def test_another_person_approves_and_the_technician_signs(undecided: Bench) -> None:
    undecided.decide("approve")
    assert (undecided.next_step, undecided.reason) == ("sign_off", "undecided_approved")
    assert undecided.sign_off().state == "signed_off"


def test_who_approved_it_does_not_sign_it(undecided: Bench) -> None:
    undecided.decide("approve")
    with pytest.raises(Forbidden) as refusal:
        undecided.sign_off(undecided.site.manager)
    assert refusal.value.code == "not_independent"


def test_who_measured_does_not_approve_it(site: Site, undecided: Bench) -> None:
    deputy = site.person("technician", may_approve=True)
    undecided.measure(by=deputy)
    with pytest.raises(Forbidden):
        undecided.decide("approve", deputy)
    undecided.decide("approve", site.person("technician", may_approve=True))
    assert undecided.next_step == "sign_off"


def test_a_later_fact_voids_the_request_and_another_is_made(undecided: Bench) -> None:
    first = undecided.standing.open_approval
    assert first is not None
    undecided.ready()
    second = undecided.standing.open_approval
    assert second is not None
    assert second.id != first.id
    undecided.decide("approve")
    undecided.ready()
    assert undecided.next_step == "get_approval"


def test_a_refusal_asks_for_another_round_and_then_to_inspect(undecided: Bench) -> None:
    undecided.decide("refuse")
    assert (undecided.next_step, undecided.reason) == ("settle_and_measure", "sign_off_refused")
    undecided.measure()
    assert (undecided.next_step, undecided.reason) == ("inspect", "sign_off_refused")


def test_after_a_repair_a_refused_sign_off_may_be_asked_for_again(undecided: Bench) -> None:
    undecided.decide("refuse")
    undecided.measure()
    undecided.event("spring_replaced", "FL")
    undecided.ready()
    for _ in range(3):
        undecided.measure()
    assert (undecided.next_step, undecided.reason) == ("get_approval", "tape_cannot_decide")
    undecided.decide("approve")
    assert undecided.next_step == "sign_off"


@pytest.mark.parametrize("person", ["technician", "auditor"])
def test_who_may_not_approve_is_told_so(undecided: Bench, person: str) -> None:
    who: Person = undecided.site.person(person)
    with pytest.raises(Forbidden):
        undecided.decide("approve", who)


def test_a_decision_over_another_content_is_refused(undecided: Bench) -> None:
    approval = undecided.standing.open_approval
    assert approval is not None
    with pytest.raises(Conflict) as refusal:
        decisions.approval_decide(
            actor=undecided.actor(undecided.site.manager),
            record_id=new_id(),
            approval_id=approval.id,
            decision="approve",
            reason="seen",
            content_sha256="0" * 64,
        )
    assert refusal.value.code == "record_changed"
    assert refusal.value.next_step == "get_approval"

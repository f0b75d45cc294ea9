"""A job as a machine: every service in any order by anybody, and what must hold after each of them."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.db import transaction
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from calibration.models import Proposal
from calibration.rules.readiness import ITEMS
from calibration.rules.standing import Standing
from calibration.services import jobs
from fleet.errors import LevelbookError
from fleet.ids import new_id
from tests.calibration import invariants
from tests.calibration.living_vehicle import LivingVehicle, Reserve
from tests.factories import SPECIFICATION, TYRE, Person, Site

STEEL = {"target_mm": 486, "tolerance_mm": 6, "axle_load_kg": 1450}
STEEPER = {"setpoint_low": -120, "setpoint_high": 120, "response_mm_per_count": -0.5, "response_sd": 0.08}
SPECIFICATIONS: dict[str, dict[str, Any]] = {
    "four corners": {"leak_limit_mm_per_h": 1.0, "air_column_mm": 300},
    "small steps": {
        "leak_limit_mm_per_h": 0.5,
        "step_max_counts": 6,
        "shift_review_counts": 12,
        "shift_limit_counts": 18,
    },
    "narrow tolerances": {
        "front": {**SPECIFICATION["front"], "tolerance_mm": 4},
        "rear": {**SPECIFICATION["rear"], "tolerance_mm": 4},
    },
    "rear air": {"front": STEEL, "controlled_corners": ["RL", "RR"]},
    "one rear sensor": {"linked_corners": [["RL", "RR"]]},
    "negative offsets": {
        "setpoint_min": -127,
        "setpoint_max": 127,
        "setpoint_kind": "offset",
        "front": {**SPECIFICATION["front"], **STEEPER},
        "rear": {**SPECIFICATION["rear"], **STEEPER},
    },
}
WEAK_TYRE = {**TYRE, "load_index": 90}
UNLISTED_TYRE = {**TYRE, "size": "235/65R17"}
EVENTS = ("sensor_replaced", "leak_repaired", "control_unit_replaced", "alignment", "other")

corners = st.sampled_from(("FL", "FR", "RL", "RR"))
people = st.sampled_from(("technician", "second", "manager", "deputy"))
clocks = st.sampled_from((timedelta(0),) * 6 + (timedelta(minutes=-25), timedelta(days=400), timedelta(days=-400)))


class JobMachine(RuleBasedStateMachine):
    """One job on one simulated vehicle; every action may come at any time. `case` is what stood before the action."""

    def __init__(self, site: Site, people: dict[str, Person], reserve: Reserve, specifications: dict[str, Any]) -> None:
        super().__init__()
        self.site, self.people, self.reserve, self.specifications = site, people, reserve, specifications
        self.savepoint = transaction.savepoint()
        self.reader = invariants.LedgerReader()
        self.known: set[uuid.UUID] = set()

    @initialize(
        kind=st.sampled_from([*SPECIFICATIONS, "none"]),
        error=st.tuples(*[st.integers(-22, 22)] * 4),
        faults=st.tuples(*[st.sampled_from(("healthy",) * 5 + ("dead", "reversed"))] * 4),
        seed=st.integers(0, 10_000),
        tyre=st.sampled_from((None, TYRE, WEAK_TYRE, UNLISTED_TYRE)),
    )
    def arrive(self, kind: str, error: Any, faults: Any, seed: int, tyre: Any) -> None:
        self.kind = kind
        shown = self.specifications["four corners" if kind == "none" else kind]
        living = LivingVehicle.arrive(self.site, shown, error_mm=error, faults=faults, seed=seed)
        if kind == "none":
            living.end()
            bare = self.site.vehicle(vehicle_model=self.site.vehicle_model())
            living.bench = type(living.bench).open(self.site, bare, setpoints=living.body.read_setpoints())
        self.living, self.bench = living, living.bench
        if tyre:
            self.bench.fit(tyre)
        self.books = {self.bench.vehicle.pk}
        self.case = case = self.bench.case
        self.shown = (invariants.seen_by_a_signer(case), case.standing.content_sha256)

    # --- actions ---------------------------------------------------------------------------------------
    def do(self, action: Callable[[], Any]) -> Any:
        """Do it in a transaction of its own; a refusal leaves nothing behind and names a rule."""
        try:
            with transaction.atomic():
                return action()
        except LevelbookError as refusal:
            return _check_it_is_explained(refusal)

    def fact(self, action: Callable[[], Any]) -> Any:
        """A well-formed fact is never refused."""
        was_closed = not self.case.job.is_open
        with transaction.atomic():
            row = action()
        if was_closed:
            assert "recorded_after_close" in self.bench.codes()
        return row

    def check_all(self) -> None:
        self.fact(self.bench.ready)

    def measure_once(self) -> None:
        self.fact(self.living.measure)

    @rule(outcome=st.sampled_from(("pass",) * 4 + ("fail", "not_done", "not_applicable")), item=st.sampled_from(ITEMS))
    def check_readiness(self, outcome: str, item: str) -> None:
        self.fact(lambda: self.bench.ready(**{item: outcome}))

    @rule(by=people, clock=clocks, settled=st.booleans(), position=st.sampled_from(("normal",) * 5 + ("raised",)))
    def measure(self, by: str, clock: timedelta, settled: bool, position: str) -> None:
        taken_at = self.bench.now + clock
        self.fact(
            lambda: self.living.measure(
                settle=settled, by=self.people[by], taken_at=taken_at, settled=settled, ride_position=position
            )
        )

    @rule(by=people)
    def measure_plainly(self, by: str) -> None:
        self.fact(lambda: self.living.measure(by=self.people[by]))

    @rule(dropped=corners, changed=st.integers(-3, 3))
    def measure_with_odd_setpoints(self, dropped: str, changed: int) -> None:
        read = {c: n + changed for c, n in self.living.body.read_setpoints().items() if c != dropped}
        self.fact(lambda: self.living.measure(setpoints=read))

    @rule()
    def read_again(self) -> None:
        standing = self.case.standing
        if standing.assessment is not None and any(each.read_again for each in standing.assessment.corners):
            self.do(self.living.read_again)

    @rule(by=people, pick=st.integers(0, 30))
    def strike(self, by: str, pick: int) -> None:
        readings = [reading for each in self.case.rounds for reading in each.reading_rows]  # type: ignore[attr-defined]
        if readings:
            reading = readings[pick % len(readings)]
            height = float(reading.height_mm) + 1
            self.do(lambda: self.bench.strike(reading.pk, height, self.people[by]))

    @rule()
    def compute(self) -> None:
        before = self.case.standing
        made = self.do(self.bench.propose)
        assert (made is not None) == (before.next_step.step == "propose"), "'propose' and the proposal do not agree"
        if made is not None:
            invariants.check_computed(made, before)

    @rule(corner=corners, change=st.sampled_from((1, -4, 19, -60, 400)))
    def enter(self, corner: str, change: int) -> None:
        before = self.case.standing
        stored: dict[str, int] = {str(c): n for c, n in (before.course.stored or {}).items()}
        partners = (corner, *_partner(before, corner))
        self.bench.setpoints = stored
        wanted = {each: stored[each] + change for each in partners if each in stored}
        made = self.do(lambda: self.bench.enter(**wanted))
        if made is not None:
            assert before.is_ready
            assert not before.stops
            assert not invariants.leaking(before)

    @rule(decision=st.sampled_from(("approve", "refuse")), by=people)
    def decide(self, decision: str, by: str) -> None:
        if self.case.standing.open_approval is not None:
            self.do(lambda: self.bench.decide(decision, self.people[by]))

    @rule(decision=st.sampled_from(("accept", "accept", "reject")), by=people, pick=st.integers(0, 9))
    def rule_on(self, decision: str, by: str, pick: int) -> None:
        findings = self.case.findings
        if findings:
            finding = findings[pick % len(findings)]
            self.do(lambda: self.bench.rule_on(finding.pk, decision, self.people[by]))

    @precondition(lambda self: self.case.standing.open_proposal is not None)
    @rule()
    def write_open_proposal(self) -> None:
        self.fact(self.living.write_open_proposal)

    @rule(pick=st.integers(0, 5), clock=clocks, short_by=st.sampled_from((0, 0, 1)))
    def write_any(self, pick: int, clock: timedelta, short_by: int) -> None:
        """Some proposal or none, whatever became of it, stored as wanted or one count short at a corner."""
        made = list(Proposal.objects.filter(job=self.bench.job).order_by("recorded_at"))
        proposal = made[pick] if pick < len(made) else None
        wanted = dict(proposal.to_setpoints) if proposal else self.living.body.read_setpoints()
        first = next(iter(wanted))
        wanted[first] += short_by
        for partner in _partner(self.case.standing, first):
            wanted[partner] = wanted[first]
        self.fact(lambda: self.living.write(proposal, wanted, written_at=self.bench.now + clock))

    @rule(
        by=people,
        corner=corners,
        sank=st.sampled_from((0, 0, 6, 40, -20)),
        hours=st.sampled_from((1, 48)),
        clock=clocks,
    )
    def test_for_leaks(self, by: str, corner: str, sank: int, hours: int, clock: timedelta) -> None:
        self.fact(lambda: self.bench.leak_test({corner: sank}, hours=hours, by=self.people[by], shift=clock))

    @rule(kind=st.sampled_from(EVENTS), corner=corners, clock=clocks)
    def event(self, kind: str, corner: str, clock: timedelta) -> None:
        place = "" if kind in ("control_unit_replaced", "alignment", "other") else corner
        self.bench.event(kind, place, happened_at=self.bench.now + clock)

    @rule(tyre=st.sampled_from((TYRE, TYRE, WEAK_TYRE, UNLISTED_TYRE)))
    def fit(self, tyre: dict[str, Any]) -> None:
        self.bench.fit(tyre)

    @rule()
    def pause(self) -> None:
        self.do(self.bench.pause)

    @rule(nothing_changed=st.booleans(), change=st.sampled_from((0, 0, 2)))
    def resume(self, nothing_changed: bool, change: int) -> None:
        if self.case.standing.is_paused and change:
            self.living.body.write({c: n + change for c, n in self.living.body.read_setpoints().items()})
        read = self.living.body.read_setpoints()
        self.do(lambda: self.bench.resume(nothing_changed=nothing_changed, setpoints=read))

    @rule()
    def revert(self) -> None:
        self.do(self.bench.revert)

    @rule(by=people, up=st.sampled_from((0, 14)))
    def ask_for_concession(self, by: str, up: int) -> None:
        self.do(lambda: self.bench.concede(486 + up, 504 + up, self.people[by]))

    @rule(by=people)
    def sign_off(self, by: str) -> None:
        before = self.case.standing
        signed = self.do(lambda: self.bench.sign_off(self.people[by]))
        assert signed is None or before.next_step.step == "sign_off"

    @rule()
    def sign_over_a_stale_record(self) -> None:
        assert self.do(lambda: self.bench.sign_off(content_sha256="0" * 64)) is None

    @precondition(lambda self: self.case.writes or not self.case.job.is_open)
    @rule()
    def end(self) -> None:
        self.do(self.living.end)

    @rule(kind=st.sampled_from(("four corners", "small steps")), by=people)
    def refile(self, kind: str, by: str) -> None:
        target = self.site.vehicle(vehicle_model=self.specifications[kind].vehicle_model)
        if self.do(lambda: self.bench.refile(target, self.people[by])) is not None:
            self.books.add(target.pk)

    @precondition(lambda self: self.kind == "none")
    @rule()
    def add_the_first_revision(self) -> None:
        self.do(self.bench.add_revision)

    @rule(corner=corners)
    def reset_baseline(self, corner: str) -> None:
        actor = self.bench.actor(self.site.manager)
        vehicle = self.bench.case.job.vehicle
        jobs.baseline_reset(actor=actor, record_id=new_id(), vehicle=vehicle, corners=[corner], reason="sensor bent")

    # --- what holds ------------------------------------------------------------------------------------
    @invariant()
    def all_holds(self) -> None:
        self.case = case = self.bench.case
        invariants.check_next_step(case.standing)
        invariants.check_state(case)
        self.shown = invariants.check_content_hash(self.shown, case)
        for book in self.books:
            self.reader.check_chain(book)
        now = invariants.identities(case)
        assert self.known <= now, "something recorded was lost"
        self.known = now

    def teardown(self) -> None:
        """From wherever this history came to, the next step leads to an end; and every row is in the ledger."""
        try:
            if hasattr(self, "bench"):
                invariants.check_rows_equal_ledger(self.bench.case, self.books)
                self._follow()
        finally:
            transaction.savepoint_rollback(self.savepoint)

    def _follow(self) -> None:
        state = self.living.follow(self.reserve)
        if state == "ended" and self.living.steps[-1] == "done:ended" and len(self.living.steps) > 1:
            assert self.living.steps[-2].startswith("inspect:"), self.living.steps


def _partner(standing: Standing, corner: Any) -> tuple[str, ...]:
    specification = standing.record.specification
    partner = specification.linked_with(corner) if specification else None
    return (partner,) if partner else ()


def _check_it_is_explained(refusal: LevelbookError) -> None:
    assert str(refusal)

"""Whatever two tablets' clocks say: heights that count were measured after the last write that changed anything."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from calibration.metrology.corners import CORNERS, Corner
from calibration.metrology.readings import Repeatability
from calibration.metrology.specification import AxleSpecification, Specification
from calibration.metrology.uncertainty import Instrument
from calibration.rules import arrivals
from calibration.rules.arrivals import place_of
from calibration.rules.course import walk
from calibration.rules.finding_kinds import Arrival
from calibration.rules.record import Fact, JobRecord, ProposalMade, ReadingTaken, RoundMeasured, Setpoints, WriteDone
from calibration.rules.sightings import Sighting, last_known_setpoints, sighting_of_round

RANDOM_SEED = 40213
HISTORIES = 1500
OPENED = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
AXLE = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
VAN = Specification(AXLE, AXLE, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
TAPE = Instrument("T01", 1.0, "II", hook_end=False)
ANYBODY = uuid.uuid4()
READINGS = tuple(ReadingTaken(uuid.uuid4(), c, 486.0, ANYBODY, ANYBODY, struck=False) for c in CORNERS for _ in "ab")


@dataclass
class History:
    """One vehicle and two tablets, each up to four and a half minutes off; what happens arrives at once."""

    rng: np.random.Generator
    now: datetime = OPENED + timedelta(minutes=6)
    counts: dict[Corner, int] = field(default_factory=lambda: dict.fromkeys(CORNERS, 100))
    facts: list[Fact] = field(default_factory=list)
    changed_by: int = -1
    """Which fact last changed what the control unit holds."""
    was_told: bool = False
    """Whether set-points other than the last known ones were read, which waits for a manager."""

    def __post_init__(self) -> None:
        self.clocks = [timedelta(seconds=float(each)) for each in self.rng.uniform(-270, 270, 2)]
        self.choices = [98, 100, 102, 104][: self.rng.integers(2, 5)]

    @property
    def record(self) -> JobRecord:
        facts = tuple(sorted(self.facts, key=lambda fact: (fact.at, fact.recorded_at)))
        nothing: dict[str, Any] = {
            "specification_id": None,
            "pad_levels_mm": None,
            "closed_at": None,
            "findings": (),
            "baseline": {},
        }
        return JobRecord(
            id=ANYBODY,
            opened_at=OPENED,
            opened_by=ANYBODY,
            state="open",
            specification=VAN,
            readiness_not_applicable=frozenset(),
            facts=facts,
            **nothing,
        )

    def go_on(self) -> None:
        self.now += timedelta(seconds=float(self.rng.uniform(65, 240)))
        is_first = not any(isinstance(fact, RoundMeasured) for fact in self.facts)
        if is_first or self.rng.random() < 0.55:
            self.measure()
        else:
            self.write()

    def arrival(self, kind: str) -> Arrival:
        noted = self.now + self.clocks[self.rng.integers(2)]
        if self.rng.random() < 0.3:
            noted = noted.replace(second=0, microsecond=0)
        return Arrival(kind, uuid.uuid4(), noted, self.now)

    def measure(self) -> None:
        arrival, record, counts = self.arrival("round"), self.record, dict(self.counts)
        seen = sighting_of_round(arrival.noted_at, counts)
        at = place_of(record, arrival, seen).at
        self.was_told |= last_known_setpoints(record, at) not in (None, counts)
        common = (arrival.source_id, at, self.now, None)
        known = (Repeatability(1.0, 8), (TAPE,), ANYBODY)
        self.facts.append(RoundMeasured(*common, self.now, counts, "normal", True, READINGS, *known))

    def write(self) -> None:
        arrival, stored = self.arrival("write"), walk(self.record).stored or {}
        wanted = dict(stored) | {"FL": int(self.rng.choice(self.choices))}
        proposal_id = self.propose(stored, wanted) if self.rng.random() < 0.8 else None
        read_back = self.counts if proposal_id and self.rng.random() < 0.15 else wanted
        failed = read_back != wanted
        seen = Sighting(arrival.noted_at, stored if proposal_id else None, read_back, proposal_id, failed)
        at = place_of(self.record, arrival, seen).at
        common = (arrival.source_id, at, self.now, None)
        if read_back != self.counts:
            self.changed_by = len(self.facts)
        self.counts = dict(read_back)
        self.facts.append(WriteDone(*common, proposal_id, self.counts, not failed, self.now))

    def propose(self, stored: Setpoints, wanted: Setpoints) -> uuid.UUID:
        earlier = self.now - timedelta(seconds=40)
        made = ProposalMade(uuid.uuid4(), earlier, earlier, None, "computed", "allowed", stored, wanted, "")
        self.facts.append(made)
        return made.id

    @property
    def misleads(self) -> bool:
        """Heights count that were measured before the last change, or set-points that the unit does not hold."""
        course = walk(self.record)
        order = {fact.id: position for position, fact in enumerate(self.facts)}
        is_stale = any(order[each.id] < self.changed_by for each in course.pool)
        return bool(course.pool) and not self.was_told and (is_stale or course.stored != self.counts)


def misleading(histories: int) -> int:
    rng = np.random.default_rng(RANDOM_SEED)
    found = 0
    for _ in range(histories):
        history = History(rng)
        for _ in range(rng.integers(3, 10)):
            history.go_on()
            if history.misleads:
                found += 1
                break
    return found


def test_no_history_misleads() -> None:
    assert misleading(HISTORIES) == 0


def test_without_the_rule_many_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """The negative control."""
    monkeypatch.setattr(arrivals, "contradiction", lambda *_: None)
    assert misleading(HISTORIES // 10) > 5

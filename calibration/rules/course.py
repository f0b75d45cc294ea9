"""The course of a job: one walk through its facts in order, giving what counts now.

A round is judged together with those before it while nothing came between. A write, an event on the vehicle, new
tyres, changed set-points, another ride position or a resumption after changes ends that pool.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from ..metrology.corners import CORNERS, Corner
from ..metrology.pooling import RoundMeasurement
from ..metrology.response import CornerEvent, Counts, HistoryItem, StoredSetpoints, settled_round
from ..metrology.specification import Specification
from .record import (
    EventHappened,
    Fact,
    JobRecord,
    ReadinessChecked,
    Resumed,
    RoundMeasured,
    Setpoints,
    TyresFitted,
    WriteDone,
)

VOIDING_KINDS = frozenset(
    {
        "sensor_replaced",
        "spring_replaced",
        "damper_replaced",
        "linkage_repaired",
        "leak_repaired",
        "control_unit_replaced",
    }
)
"""Events that make a corner's earlier heights say nothing about its present ones."""
REVERSION_KINDS = VOIDING_KINDS - {"leak_repaired"}
"""Events after which the way back ends at the first round after them."""
BASELINE_KINDS = frozenset({"sensor_replaced", "control_unit_replaced"})

Break = Literal["start", "write", "event", "tyres", "resumption", "setpoints", "ride_position"]


@dataclass(slots=True)
class Course:
    """What counts now, after all facts."""

    rounds: list[RoundMeasured] = field(default_factory=list)
    pool: list[RoundMeasured] = field(default_factory=list)
    found: list[RoundMeasured] = field(default_factory=list)
    """The first pool of judged rounds: what the vehicle was found like, whatever came afterwards."""
    last_break: Break = "start"
    stored: Setpoints | None = None
    unwritten: Setpoints | None = None
    """The last credible ones that were read before anything was written."""
    writes: list[WriteDone] = field(default_factory=list)
    history: list[HistoryItem] = field(default_factory=list)
    readiness: dict[str, str] = field(default_factory=dict)
    readiness_lapsed: Literal["event", "resumption"] | None = None
    """What made readiness checked before say nothing any more."""
    interruptions: set[uuid.UUID] = field(default_factory=set)
    """Resumptions after which something was, or may have been, changed."""
    reverting_voided_at: dict[Corner, datetime] = field(default_factory=dict)

    @property
    def as_found(self) -> RoundMeasured | None:
        return self.rounds[0] if self.rounds else None

    @property
    def as_left(self) -> RoundMeasured | None:
        return self.rounds[-1] if self.rounds else None


def walk(record: JobRecord) -> Course:
    """Go through a job's facts once."""
    course = Course()
    for _fact, course in steps(record):  # noqa: B007  (the last one is wanted)
        pass
    return course


def steps(record: JobRecord) -> Iterator[tuple[Fact, Course]]:
    """Each fact with the course after it: one and the same object, that goes on."""
    course = Course()
    for fact in record.facts:
        _take(course, fact, record)
        yield fact, course


def corners_of(event: EventHappened) -> tuple[Corner, ...]:
    """The corners an event is about: its own, or all of them."""
    return (event.corner,) if event.corner else CORNERS


def as_counts(setpoints: Setpoints) -> Counts:
    """Counts in corner order, None where a corner is not controlled."""
    first, second, third, fourth = (setpoints.get(corner) for corner in CORNERS)
    return first, second, third, fourth


def complete(setpoints: Setpoints, specification: Specification) -> bool:
    """Whether a map holds a count for every controlled corner and no other, and one count for linked corners."""
    return set(setpoints) == set(specification.controlled_corners) and all(
        setpoints[first] == setpoints[second] for first, second in specification.linked_corners
    )


def credible(setpoints: Setpoints, specification: Specification) -> bool:
    """Whether the control unit can hold these set-points: complete, each within its range. Else they were misread."""
    return complete(setpoints, specification) and all(
        specification.setpoint_min <= count <= specification.setpoint_max for count in setpoints.values()
    )


def measurement_of(measured: RoundMeasured) -> RoundMeasurement:
    """A round as the calculations see it: unstruck readings only."""
    return RoundMeasurement(
        readings_mm=tuple(measured.heights_mm(corner) for corner in CORNERS),
        repeatability=measured.repeatability,
        instruments=measured.instruments,
        identity=str(measured.id),
    )


def _take(course: Course, fact: Fact, record: JobRecord) -> None:
    match fact:
        case ReadinessChecked():
            course.readiness |= fact.outcomes
        case RoundMeasured():
            _take_round(course, fact, record)
        case WriteDone():
            _take_write(course, fact, record)
        case EventHappened():
            _take_event(course, fact, record)
        case Resumed():
            _take_resumption(course, fact, record)
        case TyresFitted():
            _end_pool(course, "tyres")
            _note_event(course, ())
        case _:
            pass


def _take_round(course: Course, measured: RoundMeasured, record: JobRecord) -> None:
    if course.stored is not None and measured.setpoints != course.stored:
        _end_pool(course, "setpoints")
        _note_found_changed(course, measured.setpoints, record)
    _read(course, measured.setpoints, record)
    course.rounds.append(measured)
    if measured.ride_position != "normal":
        _end_pool(course, "ride_position")
    if not measured.is_judged or record.specification is None:
        return
    if course.found == course.pool:
        course.found.append(measured)
    course.pool.append(measured)
    if credible(measured.setpoints, record.specification):
        course.history.append(
            settled_round(measurement_of(measured), record.specification.settling_mm, as_counts(measured.setpoints))
        )


def _take_write(course: Course, write: WriteDone, record: JobRecord) -> None:
    _end_pool(course, "write")
    course.writes.append(write)
    _note_stored(course, write.read_back, record)
    course.stored = write.read_back


def _note_stored(course: Course, setpoints: Setpoints, record: JobRecord) -> None:
    """Tell the filter of changed set-points; before its first round there is nothing to shift.

    It goes from one credible map to the next: another would leave it without a count to move from.
    """
    if course.history and record.specification is not None and credible(setpoints, record.specification):
        course.history.append(StoredSetpoints(as_counts(setpoints)))


def _note_found_changed(course: Course, setpoints: Setpoints, record: JobRecord) -> None:
    """Counts that no write of ours made: changed elsewhere, or misread now or before. They teach nothing."""
    before = course.stored or {}
    changed = tuple(corner for corner in CORNERS if before.get(corner) != setpoints.get(corner))
    _note_stored(course, setpoints, record)
    _note_event(course, changed)


def _note_event(course: Course, corners: tuple[Corner, ...]) -> None:
    """Tell the filter of what makes earlier heights say nothing; before its first round it knows none."""
    if course.history:
        course.history.append(CornerEvent(corners))


def _take_event(course: Course, event: EventHappened, record: JobRecord) -> None:
    if event.at < record.opened_at:
        return
    _end_pool(course, "event")
    _lapse_readiness(course, "event")
    if event.kind not in VOIDING_KINDS:
        _note_event(course, ())
        return
    corners = with_linked(corners_of(event), record.specification)
    _note_event(course, corners)
    if event.kind in REVERSION_KINDS:
        course.reverting_voided_at.update(dict.fromkeys(corners, event.at))


def with_linked(corners: tuple[Corner, ...], specification: Specification | None) -> tuple[Corner, ...]:
    """The corners and those that share their set-point: one cannot go back without the other."""
    if specification is None:
        return corners
    partners = (specification.linked_with(corner) for corner in corners)
    return (*corners, *(partner for partner in partners if partner is not None))


def renewed_corners(record: JobRecord) -> tuple[Corner, ...]:
    """Where something was replaced or repaired since the job opened: what was learned there earlier says nothing."""
    found = {
        corner
        for fact in record.facts
        if isinstance(fact, EventHappened) and fact.kind in VOIDING_KINDS
        for corner in with_linked(corners_of(fact), record.specification)
    }
    return tuple(corner for corner in CORNERS if corner in found)


def _take_resumption(course: Course, resumed: Resumed, record: JobRecord) -> None:
    same = course.stored is None or resumed.setpoints == course.stored
    if not (resumed.nothing_changed and same):
        _end_pool(course, "resumption")
        _lapse_readiness(course, "resumption")
        course.interruptions.add(resumed.id)
        if same:
            _note_event(course, ())
        else:
            _note_found_changed(course, resumed.setpoints, record)
    _read(course, resumed.setpoints, record)


def _read(course: Course, setpoints: Setpoints, record: JobRecord) -> None:
    course.stored = setpoints
    if not course.writes and record.specification is not None and credible(setpoints, record.specification):
        course.unwritten = setpoints


def _lapse_readiness(course: Course, why: Literal["event", "resumption"]) -> None:
    if course.readiness or course.readiness_lapsed:
        course.readiness_lapsed = why
    course.readiness.clear()


def _end_pool(course: Course, why: Break) -> None:
    course.pool.clear()
    course.last_break = why


def way_back(record: JobRecord, course: Course) -> Setpoints | None:
    """The set-points that a reversion goes to; None while none were read.

    The as-found ones, or those of the earlier job that this one reverts. For a corner whose sensor, control unit,
    spring, damper or linkage was worked on since, those of the first round after that; while there is no such round,
    those now stored.
    """
    if course.as_found is None or course.stored is None:
        return None
    if record.earlier_goal is not None:
        unknown = with_linked(tuple(c for c in CORNERS if c not in record.earlier_goal), record.specification)
        goal = dict(course.stored) | {c: n for c, n in record.earlier_goal.items() if c not in unknown}
        return goal | _after_events(course, goal, since=record.opened_at)
    goal = dict(course.as_found.setpoints)
    return goal | _after_events(course, goal, since=course.as_found.at)


def _after_events(course: Course, goal: Setpoints, *, since: datetime) -> dict[Corner, int]:
    """For corners of the goal that were worked on since, where they stood or stand after that."""
    stored = course.stored or {}
    found: dict[Corner, int] = {}
    for corner, worked_on_at in course.reverting_voided_at.items():
        if corner not in goal or worked_on_at < since:
            continue
        after = next((each for each in course.rounds if each.at > worked_on_at and corner in each.setpoints), None)
        found[corner] = after.setpoints[corner] if after else stored.get(corner, goal[corner])
    return found

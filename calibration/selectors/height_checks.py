"""Height checks with their results: each by the revision frozen into it or, where none was in force, by the first that
came later; struck readings left out.
"""

from __future__ import annotations

import math
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet

from fleet.actor import Actor
from fleet.models import Specification as Revision
from fleet.models import Tenure, Vehicle
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import sees_whole_workshop

from ..metrology.corners import CORNERS, Corner
from ..metrology.findings import Finding, disagreements
from ..metrology.height_check import UNKNOWN_INSTRUMENT, CheckAssessment, CheckedCorner, assess_height_check
from ..metrology.height_check_document import height_check_as_dict, heights_as_dict
from ..metrology.pooling import RoundMeasurement
from ..metrology.readings import Repeatability, height_problem
from ..metrology.specification import Specification
from ..models import HeightCheck, HeightCheckReading, HeightCheckStrike
from .job_facts import pure_instrument
from .judged_later import LaterRevision, later_revisions
from .specifications import pure_specification


@dataclass(frozen=True)
class MeasuredHeightCheck:
    """A height check with what follows from it."""

    check: HeightCheck
    readings: Sequence[HeightCheckReading]
    """All, in their order."""
    strikes: Mapping[uuid.UUID, HeightCheckStrike]
    """By the reading that was struck."""
    later: LaterRevision | None = None
    """What judges a check that came without a revision, as far as there is one."""

    @cached_property
    def measurement(self) -> RoundMeasurement:
        """What counts of it, as the calculations see it."""
        by_corner: dict[str, list[float]] = defaultdict(list)
        for each in self.readings:
            if each.pk not in self.strikes:
                by_corner[each.corner].append(float(each.height_mm))
        known = tuple(pure_instrument(each) for each in self.check.instruments)
        return RoundMeasurement(
            readings_mm=tuple(tuple(by_corner[corner]) for corner in CORNERS),
            repeatability=Repeatability(**self.check.repeatability),
            instruments=known if self.instrument_known else (*known, UNKNOWN_INSTRUMENT),
            identity=str(self.check.pk),
        )

    @property
    def instrument_known(self) -> bool:
        """Whether every reading says what it was taken with."""
        return all(each.instrument_id is not None for each in self.readings)

    @property
    def is_fitted(self) -> bool:
        """Whether it counts for drift: loaded as specified, judged by a specification, no copy of another one, and with
        no height that somebody has to look at first.
        """
        return (
            self.is_loaded_as_specified
            and self.check.repeats_id is None
            and self.revision is not None
            and not self.unconfirmed
        )

    @property
    def is_loaded_as_specified(self) -> bool:
        return self.check.loading == HeightCheck.Loading.AS_SPECIFIED

    @property
    def is_waiting(self) -> bool:
        """Whether nothing but a specification is wanting for its verdict."""
        return self.is_loaded_as_specified and self.revision is None

    @property
    def revision(self) -> Revision | None:
        """What it is judged by."""
        return self.check.specification or (self.later.revision if self.later else None)

    @cached_property
    def specification(self) -> Specification | None:
        """The same as the calculations take it, with the targets of the concession in force."""
        return specification_of(self.check, self.revision)

    @cached_property
    def unconfirmed(self) -> tuple[HeightCheckReading, ...]:
        """Readings that count and lie so far from target that they are only taken once somebody confirms them; nobody
        was asked, since no target was known when they came.
        """
        target = self.specification
        if self.later is None or target is None:
            return ()
        return tuple(
            each
            for each in self.readings
            if each.pk not in self.strikes
            and not each.confirmed
            and height_problem(float(each.height_mm), target.target_mm(each.corner), math.inf)  # type: ignore[arg-type]
        )

    @cached_property
    def assessment(self) -> CheckAssessment | None:
        """Values, uncertainties and verdicts; None where the model has no specification for its day."""
        if self.specification is None:
            return None
        return assess_height_check(
            self.measurement,
            self.specification,
            instrument_known=self.instrument_known,
            loaded_as_specified=self.is_loaded_as_specified,
        )

    @cached_property
    def corners(self) -> Mapping[Corner, CheckedCorner]:
        """Each corner with mean, target, deviation and budget; empty without a specification for its day."""
        assessment = self.assessment
        return {each.corner: each for each in assessment.corners} if assessment else {}

    @cached_property
    def result(self) -> dict[str, Any]:
        """The interface's JSON."""
        assessment = self.assessment
        if assessment is not None:
            return height_check_as_dict(assessment)
        return heights_as_dict(dict(zip(CORNERS, self.measurement.readings_mm, strict=True)))

    @property
    def disagreements(self) -> tuple[Finding, ...]:
        """Corners whose repeated readings lie too far apart."""
        return disagreements([self.measurement])


def specification_of(check: HeightCheck, revision: Revision | None) -> Specification | None:
    """What a check is judged by: a revision with the targets of the concession in force."""
    if revision is None:
        return None
    specification, concession = pure_specification(revision.content), check.concession
    if concession is None:
        return specification
    return replace(
        specification,
        front=replace(specification.front, target_mm=float(concession.front_target_mm)),
        rear=replace(specification.rear, target_mm=float(concession.rear_target_mm)),
    )


def visible_height_checks(actor: Actor) -> QuerySet[HeightCheck]:
    """All of the workshop's; for an operator's contact those of vehicles from the time in which they were theirs."""
    checks = HeightCheck.objects.select_related("vehicle", "instrument", "specification", "concession")
    if sees_whole_workshop(actor):
        return checks
    if actor.operator_id is None or not may(actor, Permission.READ_OWN_VEHICLES):
        return checks.none()
    return checks.filter(Exists(_tenure_of(actor.operator_id, OuterRef("vehicle"), OuterRef("happened_at"))))


def was_theirs(operator_id: uuid.UUID, vehicle: Vehicle, at: datetime) -> bool:
    """Whether a vehicle was an operator's at a time."""
    return _tenure_of(operator_id, vehicle.pk, at).exists()


def _tenure_of(operator_id: uuid.UUID, vehicle: Any, at: Any) -> QuerySet[Tenure]:
    open_ended = Q(ended_at__isnull=True) | Q(ended_at__gt=at)
    return Tenure.objects.filter(open_ended, operator=operator_id, vehicle=vehicle, began_at__lte=at)


def height_checks_of(vehicle: Vehicle, as_of: datetime | None = None) -> list[MeasuredHeightCheck]:
    """A vehicle's checks, oldest first, copies left out; `as_of`: as they were known then, by when they were received.

    A strike counts from when it was recorded.
    """
    checks = HeightCheck.objects.filter(vehicle=vehicle, repeats=None)
    if as_of is not None:
        checks = checks.filter(received_at__lte=as_of)
    rows = checks.select_related("vehicle", "specification", "concession").order_by("happened_at", "recorded_at", "id")
    return measured_height_checks(rows, as_of)


def newest_height_checks(actor: Actor, vehicle: Vehicle, most: int) -> list[MeasuredHeightCheck]:
    """The newest checks of a vehicle that the actor may see, copies left out, oldest first."""
    rows = visible_height_checks(actor).filter(vehicle=vehicle, repeats=None)
    return measured_height_checks(list(reversed(rows.order_by("-happened_at", "-recorded_at", "-id")[:most])))


def measured_height_checks(checks: Iterable[HeightCheck], as_of: datetime | None = None) -> list[MeasuredHeightCheck]:
    """Checks with their readings and strikes, in two queries for all; a third where one came without a revision."""
    rows = list(checks)
    later = later_revisions(rows, as_of)
    strikes = HeightCheckStrike.objects.filter(reading__height_check__in=rows)
    if as_of is not None:
        strikes = strikes.filter(recorded_at__lte=as_of)
    struck = {strike.reading_id: strike for strike in strikes}
    replacing = {strike.replacement_id for strike in struck.values()}
    readings: dict[uuid.UUID, list[HeightCheckReading]] = defaultdict(list)
    known = HeightCheckReading.objects.filter(came_with_the_check() | Q(pk__in=replacing), height_check__in=rows)
    for reading in known.order_by("ordinal"):
        readings[reading.height_check_id].append(reading)
    return [_measured(each, readings[each.pk], struck, later.get(each.pk)) for each in rows]


def came_with_the_check() -> Q:
    """Readings that replace no struck one."""
    return ~Q(Exists(HeightCheckStrike.objects.filter(replacement=OuterRef("pk"))))


def _measured(
    check: HeightCheck,
    readings: Sequence[HeightCheckReading],
    struck: Mapping[uuid.UUID, HeightCheckStrike],
    later: LaterRevision | None,
) -> MeasuredHeightCheck:
    own = {each.pk: struck[each.pk] for each in readings if each.pk in struck}
    return MeasuredHeightCheck(check, readings, own, later)

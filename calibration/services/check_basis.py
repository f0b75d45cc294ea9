"""What a height check is judged by: looked up for one check, or for many vehicles' past checks in few queries."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Final

from django.db import connection

from fleet.days import first_moment
from fleet.models import Fitment, Instrument, InstrumentCalibration, Specification, Vehicle
from fleet.selectors.instruments import calibration_at

from ..metrology.readings import Repeatability
from ..models import Concession, HeightCheck, HeightCheckReading, Job
from ..selectors.casefile import CaseFile
from ..selectors.height_checks import came_with_the_check
from ..selectors.odometer import highest_odometer
from ..selectors.specifications import revision_in_force
from .repeatability import repeatability_of

SAME_MINUTE: Final = timedelta(minutes=1)
Heights = list[tuple[str, Decimal]]
"""Corner and height of each reading, sorted."""
Expected = tuple[uuid.UUID, datetime, datetime]
"""Vehicle, time noted and time that counts of a check to come."""


class CheckBasis:
    """Of one check, from the database as it is now."""

    def revision(self, vehicle: Vehicle, day: date) -> Specification | None:
        return revision_in_force(vehicle.vehicle_model_id, day)

    def concession(self, check: HeightCheck) -> Concession | None:
        """That of the last job opened before: its targets hold until the next one opens."""
        jobs = Job.objects.filter(vehicle=check.vehicle, opened_at__lte=check.happened_at)
        job = jobs.order_by("-opened_at", "-id").first()
        return concession_granted(job) if job is not None else None

    def calibration(self, instrument: Instrument, day: date) -> InstrumentCalibration | None:
        return calibration_at(instrument.pk, day)

    def repeatability(self, person: uuid.UUID | None, instrument: Instrument | None) -> Repeatability:
        return repeatability_of(person, instrument)

    def highest_odometer(self, check: HeightCheck) -> Decimal | None:
        return highest_odometer(check.vehicle, until=check.happened_at)

    def alike(self, check: HeightCheck) -> Iterable[tuple[HeightCheck, Heights]]:
        """Checks of about the same minute under the same load, that repeat no other, with their first readings."""
        near = HeightCheck.objects.filter(
            vehicle=check.vehicle,
            repeats=None,
            loading=check.loading,
            taken_at__gt=check.taken_at - SAME_MINUTE,
            taken_at__lt=check.taken_at + SAME_MINUTE,
        )
        return ((each, heights_of(each.readings.filter(came_with_the_check()))) for each in near)


class BasisOfMany(CheckBasis):
    """Of many checks that are recorded one after the other; what one of them says counts for the next."""

    def __init__(self, vehicles: Collection[Vehicle], expected: Sequence[Expected]) -> None:
        self._revisions = _revisions({each.vehicle_model_id for each in vehicles})
        keys = [each.pk for each in vehicles]
        self._jobs = _jobs(keys)
        self._odometers = _odometers(keys)
        self._measured = _measured_until(expected)
        self._near = _near(expected)
        self._granted: dict[uuid.UUID, Concession | None] = {}
        self._repeatability: dict[tuple[uuid.UUID | None, Instrument | None], Repeatability] = {}

    def note(self, check: HeightCheck, rows: Sequence[HeightCheckReading]) -> None:
        """One more is on record."""
        if check.odometer_km is not None:
            self._odometers[check.vehicle_id].append((check.happened_at, check.odometer_km))
        if check.repeats is None:
            self._near[check.vehicle_id].append((check, heights_of(rows)))

    def revision(self, vehicle: Vehicle, day: date) -> Specification | None:
        known = self._revisions[vehicle.vehicle_model_id]
        return next((each for each in known if each.effective_from <= day), None)

    def concession(self, check: HeightCheck) -> Concession | None:
        before = [job for job in self._jobs[check.vehicle_id] if job.opened_at <= check.happened_at]
        if not before:
            return None
        if before[-1].pk not in self._granted:
            self._granted[before[-1].pk] = concession_granted(before[-1])
        return self._granted[before[-1].pk]

    def calibration(self, instrument: Instrument, day: date) -> InstrumentCalibration | None:
        """Of an instrument that has its calibrations at hand, latest first (`fleet.selectors.instruments`)."""
        return next((each for each in instrument.calibrations.all() if each.calibrated_on <= day), None)

    def repeatability(self, person: uuid.UUID | None, instrument: Instrument | None) -> Repeatability:
        pair = person, instrument
        if pair not in self._repeatability:
            self._repeatability[pair] = repeatability_of(*pair)
        return self._repeatability[pair]

    def highest_odometer(self, check: HeightCheck) -> Decimal | None:
        shown = [km for at, km in self._odometers[check.vehicle_id] if at <= check.happened_at]
        stored = self._measured.get((check.vehicle_id, check.happened_at))
        return max((*shown, *([] if stored is None else [stored])), default=None)

    def alike(self, check: HeightCheck) -> Iterable[tuple[HeightCheck, Heights]]:
        return (
            (each, heights)
            for each, heights in self._near[check.vehicle_id]
            if each.loading == check.loading and abs(each.taken_at - check.taken_at) < SAME_MINUTE
        )


def concession_granted(job: Job) -> Concession | None:
    """The concession of a job that holds, if there is one."""
    if not Concession.objects.filter(job=job).exists():
        return None
    granted = CaseFile(job).standing.concession
    return Concession.objects.get(pk=granted.id) if granted else None


def heights_of(rows: Iterable[HeightCheckReading]) -> Heights:
    return sorted((row.corner, row.height_mm) for row in rows)


def _revisions(models: Collection[uuid.UUID]) -> dict[uuid.UUID, list[Specification]]:
    """Of each model, in the order in which `revision_in_force` looks at them."""
    found: dict[uuid.UUID, list[Specification]] = defaultdict(list)
    for each in Specification.objects.filter(vehicle_model__in=models).order_by("-effective_from", "-revision"):
        found[each.vehicle_model_id].append(each)
    return found


def _jobs(vehicles: Sequence[uuid.UUID]) -> dict[uuid.UUID, list[Job]]:
    found: dict[uuid.UUID, list[Job]] = defaultdict(list)
    for each in Job.objects.filter(vehicle__in=vehicles).order_by("opened_at", "id"):
        found[each.vehicle_id].append(each)
    return found


def _odometers(vehicles: Sequence[uuid.UUID]) -> dict[uuid.UUID, list[tuple[datetime, Decimal]]]:
    """What jobs and fitments say; a fitment's day is over before it counts, as in `highest_odometer`."""
    found: dict[uuid.UUID, list[tuple[datetime, Decimal]]] = defaultdict(list)
    of_jobs = Job.objects.filter(vehicle__in=vehicles).values_list("vehicle", "opened_at", "odometer_km")
    of_tyres = Fitment.objects.filter(vehicle__in=vehicles, odometer_km__isnull=False)
    for vehicle, at, km in of_jobs:
        found[vehicle].append((at, km))
    for fitted, on, shown in of_tyres.values_list("vehicle", "fitted_on", "odometer_km"):
        if shown is not None:
            found[fitted].append((first_moment(on + timedelta(days=1)), shown))
    return found


MEASURED_SQL: Final = """
    SELECT wanted.vehicle, wanted.at, (
        SELECT max(odometer_km) FROM calibration_heightcheck
        WHERE vehicle_id = wanted.vehicle AND happened_at <= wanted.at
    ) FROM unnest(%s::uuid[], %s::timestamptz[]) AS wanted (vehicle, at)
"""
NEAR_SQL: Final = """
    SELECT DISTINCT seen.id FROM unnest(%s::uuid[], %s::timestamptz[]) AS wanted (vehicle, at)
    JOIN calibration_heightcheck AS seen ON seen.vehicle_id = wanted.vehicle AND seen.repeats_id IS NULL
        AND seen.taken_at > wanted.at - interval '1 minute' AND seen.taken_at < wanted.at + interval '1 minute'
"""


def _measured_until(expected: Sequence[Expected]) -> dict[tuple[uuid.UUID, datetime], Decimal]:
    """The highest odometer of the height checks on record by then."""
    with connection.cursor() as cursor:
        cursor.execute(MEASURED_SQL, [[each[0] for each in expected], [each[2] for each in expected]])
        return {(vehicle, at): km for vehicle, at, km in cursor.fetchall() if km is not None}


def _near(expected: Sequence[Expected]) -> dict[uuid.UUID, list[tuple[HeightCheck, Heights]]]:
    with connection.cursor() as cursor:
        cursor.execute(NEAR_SQL, [[each[0] for each in expected], [each[1] for each in expected]])
        keys = [key for (key,) in cursor.fetchall()]
    found: dict[uuid.UUID, list[tuple[HeightCheck, Heights]]] = defaultdict(list)
    readings: dict[uuid.UUID, list[HeightCheckReading]] = defaultdict(list)
    if keys:
        for row in HeightCheckReading.objects.filter(came_with_the_check(), height_check__in=keys):
            readings[row.height_check_id].append(row)
    for check in HeightCheck.objects.filter(pk__in=keys) if keys else ():
        found[check.vehicle_id].append((check, heights_of(readings[check.pk])))
    return found

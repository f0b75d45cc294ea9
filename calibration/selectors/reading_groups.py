"""What was read of a corner at one go: the groups from which repeatability is learned, and how they went over time."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from fleet.days import local_day
from fleet.models import Instrument, Membership

from ..metrology.reading_history import PeriodRepeatability, ReadingGroup, by_period
from ..metrology.readings import GROSS_LIMIT_MM
from ..models import Reading, ReadingStrike, RepeatabilitySums
from .specifications import pure_specification


def reading_groups(
    readings: Iterable[Reading], struck: Collection[uuid.UUID] = frozenset()
) -> Iterator[tuple[list[Reading], bool]]:
    """Groups that teach something, oldest first, each with whether a reading of it was struck out: then it is a slip.

    One of nothing but heights beyond the gross limit teaches nothing: to type the same nonsense twice is no
    repeatability.
    """
    groups: dict[tuple[object, ...], list[Reading]] = defaultdict(list)
    for reading in readings:
        groups[reading.recorded_at, reading.round_id, reading.corner].append(reading)
    for group in groups.values():
        if len(group) >= 2 and not all(_is_gross(reading) for reading in group):
            yield group, any(reading.pk in struck for reading in group)


def _is_gross(reading: Reading) -> bool:
    """Whether the height had to be confirmed, by the targets that its job is judged by."""
    specification = reading.round.job.specification
    if not reading.confirmed or specification is None:
        return False
    target = pure_specification(specification.content).target_mm(reading.corner)  # type: ignore[arg-type]
    return abs(float(reading.height_mm) - target) > GROSS_LIMIT_MM


def readings_of(membership: uuid.UUID, instrument: uuid.UUID) -> tuple[Iterable[Reading], frozenset[uuid.UUID]]:
    """All readings of one person with one instrument in their order, and which of them were struck out."""
    readings = Reading.objects.filter(measured_by=membership, instrument=instrument, round__repeats=None)
    struck = ReadingStrike.objects.filter(reading__in=readings).values_list("reading", flat=True)
    in_order = readings.select_related("round__job__specification").order_by("recorded_at", "round", "ordinal")
    return in_order, frozenset(struck)


@dataclass(frozen=True, slots=True)
class RepeatabilityHistory:
    """One person with one instrument, month by month (`2026-03`), oldest first."""

    person: Membership
    instrument: Instrument
    months: tuple[PeriodRepeatability, ...]


def repeatability_histories() -> list[RepeatabilityHistory]:
    """Of every pair that read a corner more than once, by person and serial number."""
    pairs = RepeatabilitySums.objects.filter(groups__gt=0).select_related("membership", "instrument")
    return [_history(pair) for pair in pairs.order_by("membership__name", "instrument__serial", "pk")]


def _history(pair: RepeatabilitySums) -> RepeatabilityHistory:
    readings, struck = readings_of(pair.membership.pk, pair.instrument.pk)
    groups = [_group(group, is_slip) for group, is_slip in reading_groups(readings, struck)]
    months = by_period(groups, float(pair.instrument.resolution_mm))
    return RepeatabilityHistory(pair.membership, pair.instrument, months)


def _group(readings: list[Reading], is_slip: bool) -> ReadingGroup:
    month = f"{local_day(readings[0].recorded_at):%Y-%m}"
    return ReadingGroup(month, tuple(float(each.height_mm) for each in readings), struck=is_slip)

"""How well each person repeats readings with each instrument: running sums, frozen into each round."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable

from fleet.models import Instrument

from ..metrology.readings import (
    GROSS_LIMIT_MM,
    Repeatability,
    RepeatabilityState,
    largest_repeatability,
    repeatability,
    with_group,
    with_slip,
)
from ..models import Reading, ReadingStrike, RepeatabilitySums
from ..selectors.specifications import pure_specification

Pair = tuple[uuid.UUID, uuid.UUID]
"""Membership and instrument."""


def state_of(sums: RepeatabilitySums | None) -> RepeatabilityState:
    if sums is None:
        return RepeatabilityState()
    return RepeatabilityState(sums.sum_of_squares_mm2, sums.degrees_of_freedom, sums.groups, sums.slips)


def repeatability_of(membership_id: uuid.UUID | None, instrument: Instrument | None) -> Repeatability:
    """What is known now of a person with an instrument; the prior where nothing is."""
    sums = RepeatabilitySums.objects.filter(membership=membership_id, instrument=instrument).first()
    return repeatability(state_of(sums), float(instrument.resolution_mm) if instrument else 1.0)


def known_before(readings: Iterable[Reading]) -> Repeatability:
    """The largest_repeatability repeatability of those who measured a round, as known before it."""
    pairs = {_pair(reading): reading.instrument for reading in readings}
    return largest_repeatability([repeatability_of(person, instrument) for (person, _), instrument in pairs.items()])


def learn_from(readings: Iterable[Reading]) -> list[RepeatabilitySums]:
    """Add repeated readings of a corner to the sums of who took them with what; gives the changed rows."""
    by_pair: dict[Pair, list[Reading]] = defaultdict(list)
    for reading in readings:
        by_pair[_pair(reading)].append(reading)
    return [_learn(by_pair[pair]) for pair in sorted(by_pair)]


def learn_anew(struck: Reading) -> RepeatabilitySums:
    """Make the sums of whose reading was struck out from all their readings again: it describes no careful work."""
    sums = _locked_sums(struck)
    pair = {"measured_by": struck.measured_by_id, "instrument": struck.instrument_id}
    readings = Reading.objects.filter(**pair, round__repeats=None).select_related("round__job__specification")
    strikes = ReadingStrike.objects.filter(reading__in=readings).values_list("reading", flat=True)
    in_order = readings.order_by("recorded_at", "round", "ordinal")
    return _keep(sums, _taught_by(RepeatabilityState(), in_order, struck.instrument, frozenset(strikes)))


def _learn(readings: list[Reading]) -> RepeatabilitySums:
    sums = _locked_sums(readings[0])
    return _keep(sums, _taught_by(state_of(sums), readings, readings[0].instrument))


def _taught_by(
    state: RepeatabilityState,
    readings: Iterable[Reading],
    instrument: Instrument,
    struck: Collection[uuid.UUID] = frozenset(),
) -> RepeatabilityState:
    """The sums after the readings of one person with one instrument, oldest first.

    A group is what was read of a corner at one go. One with a reading that was struck out is a slip. One of nothing
    but heights beyond the gross limit teaches nothing: to type the same nonsense twice is no repeatability.
    """
    groups: dict[tuple[object, ...], list[Reading]] = defaultdict(list)
    for reading in readings:
        groups[reading.recorded_at, reading.round_id, reading.corner].append(reading)
    for group in groups.values():
        if len(group) < 2 or all(_is_gross(reading) for reading in group):
            continue
        if any(reading.pk in struck for reading in group):
            state = with_slip(state)
        else:
            state = with_group(state, [float(each.height_mm) for each in group], float(instrument.resolution_mm))
    return state


def _is_gross(reading: Reading) -> bool:
    """Whether the height had to be confirmed, by the targets that its job is judged by."""
    specification = reading.round.job.specification
    if not reading.confirmed or specification is None:
        return False
    target = pure_specification(specification.content).target_mm(reading.corner)  # type: ignore[arg-type]
    return abs(float(reading.height_mm) - target) > GROSS_LIMIT_MM


def _locked_sums(reading: Reading) -> RepeatabilitySums:
    """The row of who took a reading with what, made where there is none."""
    pair = {"membership_id": reading.measured_by_id, "instrument_id": reading.instrument_id}
    RepeatabilitySums.objects.bulk_create([RepeatabilitySums(**pair)], ignore_conflicts=True)
    return RepeatabilitySums.objects.select_for_update().get(**pair)


def _keep(sums: RepeatabilitySums, state: RepeatabilityState) -> RepeatabilitySums:
    sums.sum_of_squares_mm2 = state.sum_of_squares_mm2
    sums.degrees_of_freedom = state.degrees_of_freedom
    sums.groups, sums.slips = state.groups, state.slips
    sums.version += 1
    sums.save()
    return sums


def _pair(reading: Reading) -> Pair:
    return reading.measured_by_id, reading.instrument_id

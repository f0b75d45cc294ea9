"""How well each person repeats readings with each instrument: running sums, frozen into each round."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable

from fleet.models import Instrument

from ..metrology.corners import Corner
from ..metrology.readings import (
    Repeatability,
    RepeatabilityState,
    largest_repeatability,
    repeatability,
    with_group,
)
from ..models import Reading, RepeatabilitySums

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
    groups: dict[Pair, dict[Corner, list[float]]] = defaultdict(lambda: defaultdict(list))
    instruments: dict[Pair, Instrument] = {}
    for reading in readings:
        groups[_pair(reading)][reading.corner].append(float(reading.height_mm))  # type: ignore[index]
        instruments[_pair(reading)] = reading.instrument
    return [_learn(pair, instruments[pair], groups[pair].values()) for pair in sorted(groups)]


def _learn(pair: Pair, instrument: Instrument, groups: Iterable[list[float]]) -> RepeatabilitySums:
    RepeatabilitySums.objects.bulk_create(
        [RepeatabilitySums(membership_id=pair[0], instrument_id=pair[1])], ignore_conflicts=True
    )
    sums = RepeatabilitySums.objects.select_for_update().get(membership=pair[0], instrument=pair[1])
    state = state_of(sums)
    for group in groups:
        if len(group) >= 2:
            state = with_group(state, group, float(instrument.resolution_mm))
    sums.sum_of_squares_mm2 = state.sum_of_squares_mm2
    sums.degrees_of_freedom = state.degrees_of_freedom
    sums.groups, sums.slips = state.groups, state.slips
    sums.version += 1
    sums.save()
    return sums


def _pair(reading: Reading) -> Pair:
    return reading.measured_by_id, reading.instrument_id

"""How well each person repeats readings with each instrument: running sums, frozen into each round."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable

from fleet.models import Instrument

from ..metrology.readings import (
    Repeatability,
    RepeatabilityState,
    largest_repeatability,
    repeatability,
    with_group,
    with_slip,
)
from ..models import Reading, RepeatabilitySums
from ..selectors.reading_groups import reading_groups, readings_of

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
    readings, strikes = readings_of(struck.measured_by_id, struck.instrument_id)
    return _keep(sums, _taught_by(RepeatabilityState(), readings, struck.instrument, strikes))


def learn_all_anew() -> list[RepeatabilitySums]:
    """Make the sums of everybody with every instrument from all readings, where there are none yet."""
    pairs = Reading.objects.filter(round__repeats=None).order_by().values_list("measured_by", "instrument").distinct()
    firsts = (Reading.objects.filter(measured_by=person, instrument=used).first() for person, used in pairs)
    return [learn_anew(first) for first in firsts if first is not None]


def _learn(readings: list[Reading]) -> RepeatabilitySums:
    sums = _locked_sums(readings[0])
    return _keep(sums, _taught_by(state_of(sums), readings, readings[0].instrument))


def _taught_by(
    state: RepeatabilityState,
    readings: Iterable[Reading],
    instrument: Instrument,
    struck: Collection[uuid.UUID] = frozenset(),
) -> RepeatabilityState:
    """The sums after the readings of one person with one instrument, oldest first."""
    for group, is_slip in reading_groups(readings, struck):
        if is_slip:
            state = with_slip(state)
        else:
            state = with_group(state, [float(each.height_mm) for each in group], float(instrument.resolution_mm))
    return state


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

"""How well people repeat their readings, for the pages that show people and instruments."""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from django.db.models import Q

from fleet.selectors.repeatability import PersonWithInstrument

from ..metrology.readings import RepeatabilityState, repeatability
from ..models import RepeatabilitySums


def known_repeatability(memberships: Collection[UUID], instruments: Collection[UUID]) -> list[PersonWithInstrument]:
    """Each pair of one of these people or one of these instruments, by person and serial number."""
    wanted = Q(membership__in=list(memberships)) | Q(instrument__in=list(instruments))
    sums = RepeatabilitySums.objects.filter(wanted).select_related("membership", "instrument")
    return [_shown(pair) for pair in sums.order_by("membership__name", "instrument__serial", "pk")]


def _shown(pair: RepeatabilitySums) -> PersonWithInstrument:
    state = RepeatabilityState(pair.sum_of_squares_mm2, pair.degrees_of_freedom, pair.groups, pair.slips)
    return PersonWithInstrument(
        membership_id=pair.membership.pk,
        person=pair.membership.name,
        instrument_id=pair.instrument.pk,
        serial=pair.instrument.serial,
        standard_deviation_mm=repeatability(state, float(pair.instrument.resolution_mm)).standard_deviation_mm,
        groups=pair.groups,
        slips=pair.slips,
    )

"""Height checks that were kept elsewhere before, many at a time: by the rules of single ones, in few queries.

Each is judged as if it had been recorded alone, one after the other. One that is on record already is left as it is:
its id is the one that it came with, or is made from the workshop and what was measured.
"""

from __future__ import annotations

import hashlib
import uuid
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from decimal import Decimal
from functools import cached_property
from typing import Any, Final

from django.utils.translation import gettext as _

from fleet import ledger
from fleet.actor import Actor
from fleet.canonical import canonical
from fleet.errors import Conflict, LevelbookError
from fleet.models import Instrument, Vehicle
from fleet.permissions import Permission, require

from ..models import HeightCheck, HeightCheckReading
from ..selectors.check_days import AssumedTime, assumed_time_of
from ..selectors.height_checks import came_with_the_check
from .check_basis import BasisOfMany
from .check_making import height_check_made, received_by

IMPORTED: Final = "height_checks_imported"
"""Kind of the ledger's entries."""
MOST_IN_AN_ENTRY: Final = 20
"""Checks of one vehicle: entries stay short enough to be listed by the page."""
ROWS_AT_ONCE: Final = 200


@dataclass(frozen=True)
class PastCheck:
    """One height at every corner, as it was noted; `record_id` where it came with one."""

    vehicle: Vehicle
    taken_at: datetime
    heights_mm: Mapping[str, Decimal]
    loading: str
    record_id: uuid.UUID | None = None
    received_at: datetime | None = None
    odometer_km: Decimal | None = None
    instrument: Instrument | None = None
    temperature_deg_c: Decimal | None = None
    note: str = ""
    confirmed: bool = False
    """Heights far from target were looked at again and stand."""
    assumed: AssumedTime | None = None
    """Where only the day was noted; it is then known again by the day, whatever time is assumed."""
    line: int = 0
    """Where it stands in its file."""

    @cached_property
    def key(self) -> uuid.UUID:
        """Its id: that which it came with, or one of version 7 from its time and a hash of what was measured."""
        return self.record_id or _id_of(self._noted_at, self.fingerprint)

    @property
    def _noted_at(self) -> datetime:
        return datetime.combine(self.assumed.day, time(), UTC) if self.assumed else self.taken_at

    @cached_property
    def fingerprint(self) -> bytes:
        """Of what makes it this measurement and no other."""
        return hashlib.sha256(canonical(ledger.plain(_content(self)))).digest()


@dataclass(frozen=True)
class PastOutcome:
    """What came of one: recorded now, on record before, or refused."""

    is_new: bool = False
    has_specification: bool = False
    """Whether one was in force on the day of the check: without, its heights are not judged before one is."""
    refusal: LevelbookError | None = None


def past_checks_record(*, actor: Actor, checks: Sequence[PastCheck], facts: Mapping[str, object]) -> list[PastOutcome]:
    """Record checks in their order; `facts` is what the ledger says of how they came. One outcome for each.

    Drift is left to the caller, who asks once for each vehicle.
    """
    require(actor, Permission.SET_UP)
    vehicles = {check.vehicle.pk: check.vehicle for check in checks}
    list(Vehicle.objects.select_for_update(no_key=True).filter(pk__in=vehicles).order_by("pk").values_list("pk"))
    recorder = _Recorder(actor, list(vehicles.values()), checks)
    outcomes = [recorder.record(check) for check in checks]
    recorder.store(facts)
    return outcomes


class _Recorder:
    """Holds what is made until it is stored."""

    def __init__(self, actor: Actor, vehicles: Sequence[Vehicle], checks: Sequence[PastCheck]) -> None:
        self.actor = actor
        noted = [(each, each.taken_at + actor.clock_offset) for each in checks]
        expected = [
            (each.vehicle.pk, each.taken_at, min(at, received_by(actor, each.received_at))) for each, at in noted
        ]
        self.basis = BasisOfMany(vehicles, expected)
        self.known = _on_record([each.key for each in checks])
        self.made: dict[uuid.UUID, list[tuple[int, HeightCheck, list[HeightCheckReading]]]] = defaultdict(list)

    def record(self, past: PastCheck) -> PastOutcome:
        key, mine = past.key, past.fingerprint
        if key in self.known:
            return PastOutcome(refusal=None if self.known[key] == mine else _id_reused(key))
        try:
            check, rows = height_check_made(actor=self.actor, basis=self.basis, record_id=key, **_values(past))
        except LevelbookError as refusal:
            return PastOutcome(refusal=refusal)
        self.known[key] = mine
        self.basis.note(check, rows)
        self.made[past.vehicle.pk].append((past.line, check, rows))
        return PastOutcome(is_new=True, has_specification=check.specification is not None)

    def store(self, facts: Mapping[str, object]) -> None:
        made = [each for of_vehicle in self.made.values() for each in of_vehicle]
        HeightCheck.objects.bulk_create([check for _line, check, _rows in made], batch_size=ROWS_AT_ONCE)
        readings = [row for _line, _check, rows in made for row in rows]
        HeightCheckReading.objects.bulk_create(readings, batch_size=4 * ROWS_AT_ONCE)
        ledger.append_each(self.actor, list(self._steps(facts)))

    def _steps(self, facts: Mapping[str, object]) -> Iterator[ledger.Step]:
        for of_vehicle in self.made.values():
            for first in range(0, len(of_vehicle), MOST_IN_AN_ENTRY):
                part = of_vehicle[first : first + MOST_IN_AN_ENTRY]
                (_line, check, _rows), *others = part
                rows = [each for _line, each, _rows in others], [row for _line, _check, rows in part for row in rows]
                lines = {"lines": [line for line, _check, _rows in part]}
                yield ledger.Step(IMPORTED, check, check.vehicle, [*rows[0], *rows[1]], {**facts, **lines})


def _values(past: PastCheck) -> dict[str, Any]:
    readings = [
        {"corner": corner, "height_mm": height, "confirmed": past.confirmed}
        for corner, height in past.heights_mm.items()
    ]
    return {
        "vehicle": past.vehicle,
        "taken_at": past.taken_at,
        "readings": readings,
        "loading": past.loading,
        "measured_by": None,  # only the file knows
        "odometer_km": past.odometer_km,
        "instrument": past.instrument,
        "temperature_deg_c": past.temperature_deg_c,
        "note": past.note,
        "received_at": past.received_at,
        "assumed": past.assumed,
    }


def _content(check: PastCheck) -> dict[str, Any]:
    return {
        "workshop": check.vehicle.workshop_id,
        "vehicle": check.vehicle.pk,
        "taken_at": check.assumed.day if check.assumed else check.taken_at,
        "loading": check.loading,
        "odometer_km": check.odometer_km,
        "instrument": check.instrument.pk if check.instrument else None,
        "temperature_deg_c": check.temperature_deg_c,
        "note": check.note,
        "heights_mm": dict(sorted(check.heights_mm.items())),
    }


def _on_record(keys: Iterable[uuid.UUID]) -> dict[uuid.UUID, bytes]:
    """Which ids are taken, by checks of what content."""
    taken = list(HeightCheck.objects.filter(pk__in=list(keys)).select_related("vehicle", "instrument"))
    heights: dict[uuid.UUID, dict[str, Decimal]] = defaultdict(dict)
    if taken:
        for row in HeightCheckReading.objects.filter(came_with_the_check(), height_check__in=[e.pk for e in taken]):
            heights[row.height_check_id][row.corner] = row.height_mm
    return {each.pk: _as_past(each, heights[each.pk]).fingerprint for each in taken}


def _as_past(check: HeightCheck, heights: Mapping[str, Decimal]) -> PastCheck:
    return PastCheck(
        vehicle=check.vehicle,
        taken_at=check.taken_at,
        heights_mm=heights,
        loading=check.loading,
        odometer_km=check.odometer_km,
        instrument=check.instrument,
        temperature_deg_c=check.temperature_deg_c,
        note=check.note,
        assumed=assumed_time_of(check),
    )


def _id_of(at: datetime, digest: bytes) -> uuid.UUID:
    """RFC 9562, version 7: milliseconds, then bits of the hash where others have random ones."""
    milliseconds = int(at.timestamp() * 1000) & (2**48 - 1)
    bits = int.from_bytes(digest[:10], "big")
    value = milliseconds << 80 | 0x7 << 76 | (bits >> 64 & 0xFFF) << 64 | 0b10 << 62 | bits & (2**62 - 1)
    return uuid.UUID(int=value)


def _id_reused(key: uuid.UUID) -> Conflict:
    detail = _("The id %(id)s is that of another height check. Leave the id out, or give this one an id of its own.")
    return Conflict(detail % {"id": key}, code="id_reused", pointer="/id")

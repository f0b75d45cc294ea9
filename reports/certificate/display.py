"""A document's figures and times in its reader's units."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from django.utils.translation import gettext as _

from calibration.metrology.corners import Corner
from fleet.looks import dates
from reports.drawing import quantities
from reports.drawing.words import corner_name

from .document import Document, DocumentError, Units

DASH = "\N{EN DASH}"
"""Stands where there is nothing to say."""


@dataclass(frozen=True, slots=True)
class Display:
    """All times are shown in one offset, the one of the time of issue, which the page states once."""

    units: Units
    offset: tzinfo | None
    hexadecimal: bool = False

    @classmethod
    def of(cls, document: Document) -> Display:
        specification = document.specification
        hexadecimal = specification is not None and specification.setpoint_base == "hexadecimal"
        return cls(document.units, document.issued_at.tzinfo, hexadecimal)

    def length(self, value_mm: float | None, *, signed: bool = False) -> str:
        return DASH if value_mm is None else quantities.length(value_mm, self.units.length, signed=signed)

    def length_with_unit(self, value_mm: float | None, *, signed: bool = False) -> str:
        return DASH if value_mm is None else f"{self.length(value_mm, signed=signed)} {self.length_unit}"

    def plus_minus(self, value_mm: float | None) -> str:
        return "" if value_mm is None else f"± {self.length(value_mm)}"

    @property
    def length_unit(self) -> str:
        return quantities.length_unit(self.units.length)

    @property
    def length_unit_name(self) -> str:
        return "mm" if self.units.length == "mm" else _("inches")

    def odometer(self, value_km: float | None) -> str:
        return DASH if value_km is None else quantities.distance(value_km, self.units.distance)

    def pressure(self, value_kpa: float) -> str:
        return quantities.pressure(value_kpa, self.units.pressure)

    def counts(self, value: int | None) -> str:
        return DASH if value is None else quantities.counts(value, "hexadecimal" if self.hexadecimal else "decimal")

    def stamp(self, moment: datetime | None) -> str:
        """Day and minute; the foot of every page states the zone."""
        return DASH if moment is None else dates.day_and_time(self._local(moment))

    def zone(self, moment: datetime) -> str:
        return zone_name(self._local(moment))

    def day(self, moment: datetime | date | None) -> str:
        if isinstance(moment, datetime):
            return dates.day(self._local(moment))
        return DASH if moment is None else dates.day(moment)

    def _local(self, moment: datetime) -> datetime:
        """A time without offset would be read in this machine's zone: the pages must not depend on it."""
        if moment.utcoffset() is None:
            raise DocumentError(f"{moment.isoformat()} has no UTC offset; every time in a document needs one")
        return moment.astimezone(self.offset)

    def days(self, first: datetime, last: datetime) -> str:
        """One day, or the first and the last."""
        start, end = self.day(first), self.day(last)
        return start if start == end else _("%(start)s to %(end)s") % {"start": start, "end": end}


def stamp_with_zone(moment: datetime) -> str:
    """A time that can be taken in one way only: 6 Oct 2026, 08:12 UTC+01:00."""
    return f"{dates.day_and_time(moment)} {zone_name(moment)}"


def zone_name(moment: datetime) -> str:
    """UTC and how far the clocks are from it."""
    text = moment.isoformat()[-6:]
    return "UTC" if text == "+00:00" else "UTC" + text.replace("-", quantities.MINUS)


def corner_list(corners: Iterable[Corner]) -> str:
    """Corner names in a sentence, first letter small after the first."""
    names = [corner_name(corner) for corner in corners]
    return ", ".join(names[:1] + [in_sentence(name) for name in names[1:]])


def in_sentence(text: str) -> str:
    """The name of a corner as it stands within a sentence."""
    return text[:1].lower() + text[1:]

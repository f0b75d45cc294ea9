"""What a document is built from: the case file, the workshop's zone, and the people by name."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, timezone
from functools import cached_property
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS, Corner
from calibration.selectors.casefile import CaseFile
from fleet.looks import dates
from fleet.models import Membership, Role, Workshop

from ..certificate import document as doc
from ..models import Certificate


@dataclass(frozen=True)
class Source:
    """Everything that one document is taken from."""

    certificate: Certificate
    case: CaseFile
    workshop: Workshop
    issued_at: datetime

    @cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.workshop.time_zone)

    def local(self, at: datetime) -> datetime:
        """The same instant as the workshop's clocks show it."""
        return at.astimezone(self.zone)

    def stamp(self, at: datetime) -> str:
        """A time in a sentence, in the offset of all times of the document, which its pages name."""
        offset = self.local(self.issued_at).utcoffset()
        assert offset is not None  # a workshop's zone has one
        return dates.day_and_time(at.astimezone(timezone(offset)))

    def by(self, membership_id: uuid.UUID | None, at: datetime) -> str:
        """Who and when, in a sentence."""
        return _("%(name)s, %(when)s") % {"name": self.name(membership_id), "when": self.stamp(at)}

    @cached_property
    def units(self) -> doc.Units:
        return doc.Units(length=self.workshop.length_unit)  # type: ignore[arg-type]

    @cached_property
    def hexadecimal(self) -> bool:
        specification = self.case.specification
        return specification is not None and specification.content.get("setpoint_base") == "hexadecimal"

    @cached_property
    def _people(self) -> dict[uuid.UUID, Membership]:
        return {person.pk: person for person in Membership.objects.all()}

    def name(self, membership_id: uuid.UUID | None) -> str:
        person = self._people.get(membership_id) if membership_id else None
        return person.name if person else _("the service")

    def role(self, membership_id: uuid.UUID | None, *, deciding: bool = False) -> str:
        """The code of the role in which somebody acted; who decides acts as manager or as named deputy."""
        person = self._people.get(membership_id) if membership_id else None
        if person is None:
            return ""
        if deciding:
            return Role.MANAGER.value if Role.MANAGER in person.roles else "deputy"
        return Role.TECHNICIAN.value if Role.TECHNICIAN in person.roles else Role.MANAGER.value

    @cached_property
    def round_numbers(self) -> dict[str, int]:
        """Round ids, as text, to the numbers under which the document names them."""
        return {str(each.pk): number for number, each in enumerate(self.case.rounds, start=1)}


def as_corner(text: str) -> Corner | None:
    return next((corner for corner in CORNERS if corner == text), None)


def plain_zero(value: float) -> float:
    """No negative zero: JSON in the database does not keep its sign."""
    return float(value) + 0.0

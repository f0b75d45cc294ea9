"""A label to stick into a vehicle: registration, VIN, and a code that opens it on the bench."""

from __future__ import annotations

from dataclasses import dataclass

import segno
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from fleet.models import Vehicle

VIN_TAIL = 6


@dataclass(frozen=True, slots=True)
class Label:
    """What is printed."""

    registration: str
    vin_head: str
    vin_tail: str
    qr: SafeString

    @classmethod
    def of(cls, vehicle: Vehicle, bench: str) -> Label:
        """`bench` is the address of the bench app; its own part of the address stands behind the '#'."""
        code = segno.make(f"{bench}#/vehicle/{vehicle.vin}", error="m")
        title = _("Code that opens %(vin)s on the bench") % {"vin": vehicle.vin}
        svg = code.svg_inline(border=4, light="#fff", title=title, omitsize=True)
        drawn = mark_safe(svg)  # noqa: S308  (drawn here, from an address and a VIN of ours)
        return cls(vehicle.registration, vehicle.vin[:-VIN_TAIL], vehicle.vin[-VIN_TAIL:], drawn)

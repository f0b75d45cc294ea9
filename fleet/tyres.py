"""Tyre size designations, service descriptions and the dimensions that follow from them.

Read: ISO metric (`255/60R18`), P and LT metric (`P255/60R18`, `LT245/75R16`) and inch flotation
(`31x10.50R15LT`), each with an optional service description (`112V`, `121/118S`), `ZR` and `C`, and with what makers
write of a reinforced tyre (`XL`, `EXTRA LOAD`, `RF`, `REINF`, `REINFORCED`), before or after the service description.

Certainty of the facts: the formula for the diameter, load indices 60 to 130 and the speed symbols were read
in several public tables; the texts of UN R30 and ISO 4000-1, which fix them, were not at hand. The rounding
of section height and rim diameter (UN R30, 6.1) and the factors 3.05 and 2.99 of the rolling circumference
(ETRTO, at 60 km/h) are from memory.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Any, Final, Literal

from django.utils.translation import gettext_lazy as _

from fleet.errors import Invalid

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

Construction = Literal["R", "D", "B"]
"""Radial, diagonal (bias), bias-belted."""
System = Literal["metric", "P", "LT", "flotation"]

MM_PER_INCH: Final = Decimal("25.4")
RADIAL_CIRCUMFERENCE_FACTOR: Final = Decimal("3.05")
DIAGONAL_CIRCUMFERENCE_FACTOR: Final = Decimal("2.99")

FIRST_LOAD_INDEX: Final = 60
_LOAD_CAPACITY_KG: Final = (
    *(250, 257, 265, 272, 280, 290, 300, 307, 315, 325),
    *(335, 345, 355, 365, 375, 387, 400, 412, 425, 437),
    *(450, 462, 475, 487, 500, 515, 530, 545, 560, 580),
    *(600, 615, 630, 650, 670, 690, 710, 730, 750, 775),
    *(800, 825, 850, 875, 900, 925, 950, 975, 1000, 1030),
    *(1060, 1090, 1120, 1150, 1180, 1215, 1250, 1285, 1320, 1360),
    *(1400, 1450, 1500, 1550, 1600, 1650, 1700, 1750, 1800, 1850),
    1900,
)
LAST_LOAD_INDEX: Final = FIRST_LOAD_INDEX + len(_LOAD_CAPACITY_KG) - 1
HIGHEST_LOAD_INDEX: Final = 279
"""Where the numbering of load indices ends (from memory); the table here is shorter."""

_SPEED_KM_H: Final = (
    {f"A{n}": 5 * n for n in range(1, 9)}
    | {"B": 50, "C": 60, "D": 65, "E": 70, "F": 80, "G": 90, "J": 100, "K": 110, "L": 120, "M": 130, "N": 140}
    | {"P": 150, "Q": 160, "R": 170, "S": 180, "T": 190, "U": 200, "H": 210, "V": 240, "W": 270, "Y": 300}
)

_EXTRA_LOAD: Final = r"(?:XL|EXTRA\ ?LOAD|RF|REINF(?:ORCED|\.)?)"
_SERVICE: Final = rf"""
    (?P<behind>(?:\ ?(?P<extra_load_before>{_EXTRA_LOAD}))?
    (?:\ ?\(?(?P<load_index>\d{{2,3}})(?:\ ?/\ ?(?P<load_index_dual>\d{{2,3}}))?
    \ ?(?P<speed_symbol>A[1-8]|[B-HJ-NP-WY])\)?)?
    (?:\ ?(?P<extra_load_after>{_EXTRA_LOAD}))?)
"""
_METRIC: Final = re.compile(
    rf"""(?:(?P<prefix>P|LT)\ ?)?(?P<width>\d{{3}})\ ?/\ ?(?P<aspect>\d{{2}})\ ?(?P<z>Z)?
         (?P<construction>[RDB-])\ ?(?P<rim>\d{{2}}(?:\.5)?)(?:\ ?(?P<commercial>C))?{_SERVICE}""",
    re.VERBOSE | re.ASCII,
)
_FLOTATION: Final = re.compile(
    rf"""(?P<diameter>\d{{2}}(?:\.\d{{1,2}})?)\ ?X\ ?(?P<width>\d{{1,2}}(?:\.\d{{1,2}})?)
         \ ?(?P<construction>[RDB-])\ ?
         (?P<rim>\d{{2}}(?:\.5)?)(?:\ ?(?P<suffix>LT))?{_SERVICE}""",
    re.VERBOSE | re.ASCII,
)
_LONGEST_DESIGNATION: Final = 40
_UNREADABLE: Final = _(
    "This is no tyre size that can be read. Write it as it stands on the sidewall, for example 255/60R18, "
    "P255/60R18, LT245/75R16 or 31x10.50R15LT; load index and speed symbol may follow (255/60R18 112V)."
)


class TyreError(Invalid):
    """A designation, load index or speed symbol that cannot be used.

    Codes: `tyre_size`, `tyre_dimension`, `load_index_unknown`, `speed_symbol_unknown`.
    """

    @property
    def reason(self) -> str:
        return self.errors[0].code


@dataclass(frozen=True)
class TyreSize:
    """A size designation taken apart. `aspect_ratio_pct` is None for inch flotation sizes.

    `overall_diameter_mm` is the design diameter D = d + 2 H, section height H and rim diameter d each in
    whole millimetres. An inch flotation size states its diameter; the tyre itself is usually about 12 mm
    smaller (from memory).
    """

    designation: str
    size_alone: str
    """The designation without what may follow the size: load index, speed symbol, extra load."""
    system: System
    section_width_mm: Decimal
    aspect_ratio_pct: int | None
    construction: Construction
    rim_diameter_in: Decimal
    overall_diameter_mm: int
    load_index: int | None = None
    load_index_dual: int | None = None
    speed_symbol: str | None = None
    above_240_km_h: bool = False
    commercial: bool = False
    extra_load: bool = False

    @property
    def free_radius_mm(self) -> float:
        return self.overall_diameter_mm / 2

    @property
    def rolling_circumference_mm(self) -> float:
        """Distance of one turn at 60 km/h, mm."""
        factor = RADIAL_CIRCUMFERENCE_FACTOR if self.construction == "R" else DIAGONAL_CIRCUMFERENCE_FACTOR
        return float(factor * self.overall_diameter_mm)

    @property
    def revolutions_per_km(self) -> float:
        return 1e6 / self.rolling_circumference_mm

    def __str__(self) -> str:
        return self.designation


def parse_tyre_size(text: str, *, pointer: str = "/size") -> TyreSize:
    """Take a designation apart, in whatever case and spacing; raises `TyreError` at `pointer`.

    >>> parse_tyre_size("255/60 r18 112v").overall_diameter_mm
    763
    >>> parse_tyre_size("31x10.50R15LT").overall_diameter_mm
    787
    >>> parse_tyre_size("235/65 r16 c 121/119 r").size_alone
    '235/65R16C'
    """
    designation = _normalise(text)
    if len(designation) <= _LONGEST_DESIGNATION:
        if match := _METRIC.fullmatch(designation):
            return _checked(_metric(designation, match), pointer)
        if match := _FLOTATION.fullmatch(designation):
            return _checked(_flotation(designation, match), pointer)
    raise TyreError.at(pointer, "tyre_size", _UNREADABLE)


def sidewall_of(tyre: Mapping[str, Any]) -> str:
    """Size, load index and speed symbol of a recorded tyre in one text, each once.

    >>> sidewall_of({"size": "255/60R18 112V XL", "load_index": 112, "speed_symbol": "V"})
    '255/60R18 112V XL'
    """
    size = parse_tyre_size(tyre["size"])
    behind = " XL" if size.extra_load else ""
    return f"{size.size_alone} {tyre['load_index']}{tyre['speed_symbol']}{behind}"


def load_capacity_kg(load_index: int, *, pointer: str = "/load_index") -> int | None:
    """What one tyre with this load index may carry, kg; None where the table here has nothing for it.

    >>> load_capacity_kg(112), load_capacity_kg(152)
    (1120, None)
    """
    if not 0 <= load_index <= HIGHEST_LOAD_INDEX:
        detail = _("There is no load index %(index)s; they go from 0 to %(last)s. Read the sidewall again.")
        values = {"index": load_index, "last": HIGHEST_LOAD_INDEX}
        raise TyreError.at(pointer, "load_index_unknown", detail % values)
    if FIRST_LOAD_INDEX <= load_index <= LAST_LOAD_INDEX:
        return _LOAD_CAPACITY_KG[load_index - FIRST_LOAD_INDEX]
    return None


def speed_limit_km_h(speed_symbol: str, *, pointer: str = "/speed_symbol") -> int:
    """The speed that belongs to a speed symbol, km/h.

    >>> speed_limit_km_h("V")
    240
    """
    try:
        return _SPEED_KM_H[speed_symbol]
    except KeyError:
        detail = _("This is no speed symbol; allowed: %(symbols)s.") % {"symbols": ", ".join(_SPEED_KM_H)}
        raise TyreError.at(pointer, "speed_symbol_unknown", detail) from None


def _normalise(text: str) -> str:
    return " ".join(text.upper().replace("\N{MULTIPLICATION SIGN}", "X").split())


def _whole(value: Decimal) -> int:
    return int(value.to_integral_value(ROUND_HALF_UP))


def _construction(letter: str) -> Construction:
    return "R" if letter == "R" else "B" if letter == "B" else "D"


def _size_alone(designation: str, match: re.Match[str]) -> str:
    return designation[: match.start("behind")].replace(" ", "")


def _is_extra_load(match: re.Match[str]) -> bool:
    return (match["extra_load_before"] or match["extra_load_after"]) is not None


def _metric(designation: str, match: re.Match[str]) -> TyreSize:
    prefix: System = "P" if match["prefix"] == "P" else "LT" if match["prefix"] == "LT" else "metric"
    width, aspect, rim = Decimal(match["width"]), int(match["aspect"]), Decimal(match["rim"])
    return TyreSize(
        designation=designation,
        size_alone=_size_alone(designation, match),
        system=prefix,
        section_width_mm=width,
        aspect_ratio_pct=aspect,
        construction=_construction(match["construction"]),
        rim_diameter_in=rim,
        overall_diameter_mm=_whole(rim * MM_PER_INCH) + 2 * _whole(width * aspect / 100),
        load_index=_optional_int(match["load_index"]),
        load_index_dual=_optional_int(match["load_index_dual"]),
        speed_symbol=match["speed_symbol"],
        above_240_km_h=match["z"] is not None,
        commercial=match["commercial"] is not None,
        extra_load=_is_extra_load(match),
    )


def _flotation(designation: str, match: re.Match[str]) -> TyreSize:
    written = designation.replace("X", "x", 1)
    return TyreSize(
        designation=written,
        size_alone=_size_alone(written, match),
        system="flotation",
        section_width_mm=Decimal(match["width"]) * MM_PER_INCH,
        aspect_ratio_pct=None,
        construction=_construction(match["construction"]),
        rim_diameter_in=Decimal(match["rim"]),
        overall_diameter_mm=_whole(Decimal(match["diameter"]) * MM_PER_INCH),
        load_index=_optional_int(match["load_index"]),
        load_index_dual=_optional_int(match["load_index_dual"]),
        speed_symbol=match["speed_symbol"],
        extra_load=_is_extra_load(match),
    )


def _optional_int(digits: str | None) -> int | None:
    return None if digits is None else int(digits)


def _checked(size: TyreSize, pointer: str) -> TyreSize:
    for load_index in (size.load_index, size.load_index_dual):
        if load_index is not None:
            load_capacity_kg(load_index, pointer=pointer)
    _require("rim_diameter_in", size.rim_diameter_in, Decimal(10), Decimal(30), pointer)
    _require("section_width_mm", size.section_width_mm, Decimal(100), Decimal(500), pointer)
    if size.aspect_ratio_pct is not None:
        _require("aspect_ratio_pct", Decimal(size.aspect_ratio_pct), Decimal(20), Decimal(95), pointer)
    if size.overall_diameter_mm <= size.rim_diameter_in * MM_PER_INCH:
        detail = _("The overall diameter must be larger than the rim diameter.")
        raise TyreError.at(pointer, "tyre_dimension", detail)
    return size


def _require(name: str, value: Decimal, lowest: Decimal, highest: Decimal, pointer: str) -> None:
    if lowest <= value <= highest:
        return
    labels: dict[str, _StrOrPromise] = {
        "rim_diameter_in": _("rim diameter (in)"),
        "section_width_mm": _("section width (mm)"),
        "aspect_ratio_pct": _("aspect ratio (%)"),
    }
    detail = _("The %(name)s of this size is %(value)s; allowed: %(lowest)s to %(highest)s. Read the sidewall again.")
    values = {"name": labels[name], "value": value, "lowest": lowest, "highest": highest}
    raise TyreError.at(pointer, "tyre_dimension", detail % values)

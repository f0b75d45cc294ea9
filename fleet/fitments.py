"""What follows from the tyres fitted: dimensions, load capacity, and findings against a specification."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from django.utils.translation import gettext_lazy as _

from fleet.specifications import AXLES, CORNERS
from fleet.tyres import (
    FIRST_LOAD_INDEX,
    LAST_LOAD_INDEX,
    TyreSize,
    load_capacity_kg,
    parse_tyre_size,
    speed_limit_km_h,
)

Finding = dict[str, Any]


def derived_tyres(tyres: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Each corner's tyre as recorded, with diameter, circumference, revolutions and load capacity."""
    return {corner: _derived(corner, tyres[corner]) for corner in CORNERS}


def _derived(corner: str, tyre: Mapping[str, Any]) -> dict[str, Any]:
    pointer = f"/tyres/{corner}"
    size = parse_tyre_size(tyre["size"], pointer=f"{pointer}/size")
    speed_limit_km_h(tyre["speed_symbol"], pointer=f"{pointer}/speed_symbol")
    return {
        "tread_mm": None,
        "pressure_kpa": None,
        **tyre,
        "size": size.designation,
        "overall_diameter_mm": size.overall_diameter_mm,
        "rolling_circumference_mm": round(size.rolling_circumference_mm, 1),
        "revolutions_per_km": round(size.revolutions_per_km, 1),
        "load_capacity_kg": load_capacity_kg(tyre["load_index"], pointer=f"{pointer}/load_index"),
    }


def unknown_capacities(tyres: Mapping[str, Mapping[str, Any]]) -> list[Finding]:
    """`load_capacity_unknown`, a note for each corner whose load index is in no table known here."""
    detail = _(
        "What load index %(index)s carries is not known here (the table goes from %(first)s to %(last)s), so it is not "
        "compared with the axle load. Compare it yourself with the tyre maker's data."
    )
    return [
        {
            "code": "load_capacity_unknown",
            "corner": corner,
            "severity": "note",
            "detail": detail
            % {"index": tyres[corner]["load_index"], "first": FIRST_LOAD_INDEX, "last": LAST_LOAD_INDEX},
        }
        for corner in CORNERS
        if tyres[corner]["load_capacity_kg"] is None
    ]


def tyre_findings(tyres: Mapping[str, Mapping[str, Any]], specification: Mapping[str, Any]) -> list[Finding]:
    """`tyre_not_listed` and `load_capacity_low`, one for each corner concerned."""
    return [*_not_listed(tyres, specification), *_too_weak(tyres, specification)]


def _not_listed(tyres: Mapping[str, Mapping[str, Any]], specification: Mapping[str, Any]) -> Iterator[Finding]:
    """An empty list says nothing about tyres."""
    allowed = [parse_tyre_size(size) for size in specification["allowed_tyres"]]
    for corner in CORNERS:
        size = parse_tyre_size(tyres[corner]["size"])
        if allowed and not any(_fits(size, listed) for listed in allowed):
            detail = _("%(size)s is not among the sizes that the specification lists: %(listed)s.") % {
                "size": size.designation,
                "listed": ", ".join(specification["allowed_tyres"]),
            }
            yield {"code": "tyre_not_listed", "corner": corner, "severity": "review", "detail": str(detail)}


def _fits(fitted: TyreSize, listed: TyreSize) -> bool:
    """Whether a tyre is of the size that a list names. Where the list asks for a C tyre, no other will do.

    A C tyre is as large as one of the same figures without the C, and stronger: what it may carry is compared with
    the axle load in any case.
    """
    return _dimensions(fitted) == _dimensions(listed) and fitted.commercial >= listed.commercial


def _dimensions(size: TyreSize) -> TyreSize:
    """What makes two designations the same size: nothing that is written behind the rim's diameter."""
    alone = parse_tyre_size(size.size_alone)
    return replace(alone, designation="", size_alone="", commercial=False)


def _too_weak(tyres: Mapping[str, Mapping[str, Any]], specification: Mapping[str, Any]) -> Iterator[Finding]:
    """Each tyre bears half of its axle's load."""
    for axle, corners in AXLES.items():
        load_kg = specification[axle]["axle_load_kg"]
        for corner in corners:
            capacity_kg = tyres[corner]["load_capacity_kg"]
            if None not in (load_kg, capacity_kg) and 2 * capacity_kg < load_kg:
                detail = _("The tyre may carry %(capacity)s kg, half of the axle load is %(half)s kg.") % {
                    "capacity": capacity_kg,
                    "half": round(load_kg / 2),
                }
                yield {
                    "code": "load_capacity_low",
                    "corner": corner,
                    "severity": "review",
                    "detail": str(detail),
                }

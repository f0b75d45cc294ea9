"""From documents of the work to what a page draws and writes: bars, changes, limits, consequences."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from uuid import UUID

from django.utils.functional import Promise
from django.utils.translation import gettext as _

from fleet.looks.lengths import MINUS, UNIT_SIGNS, LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES, ToleranceBar, span_mm
from fleet.models import Membership, Specification

from ..metrology.corners import AXLE_OF, CORNERS, Corner
from ..rules.notation import figure
from . import words

Shown = Mapping[str, Any]
HARDLY_MM = 0.05
HARDLY_PCT = 0.005
Row = tuple[str | Promise, str]
"""What it is called, and how it changes."""


def names_of(ids: Iterable[UUID | None]) -> dict[UUID, str]:
    """Names of the workshop's people by membership."""
    wanted = {each for each in ids if each is not None}
    return dict(Membership.objects.filter(pk__in=wanted).values_list("pk", "name"))


def assessment_bars(
    assessment: Shown | None, specification: Specification | None, unit: LengthUnit, key: str
) -> dict[str, ToleranceBar]:
    """Four corners in their tolerances on one scale; empty where nothing was judged. `key` is unique on the page."""
    if assessment is None or specification is None:
        return {}
    bars = {corner: _bar(assessment["corners"][corner], corner, specification, unit, key) for corner in CORNERS}
    span = span_mm(bars.values())
    return {corner: replace(bar, span_mm=span) for corner, bar in bars.items()}


def _bar(judged: Shown, corner: Corner, specification: Specification, unit: LengthUnit, key: str) -> ToleranceBar:
    return ToleranceBar(
        key=f"{key}-{corner.lower()}",
        name=CORNER_NAMES[corner],
        height_mm=judged["mean_mm"],
        expanded_uncertainty_mm=judged["expanded_uncertainty_mm"],
        target_mm=judged["mean_mm"] - judged["deviation_mm"],
        tolerance_mm=float(specification.content[AXLE_OF[corner]]["tolerance_mm"]),
        verdict=judged["verdict"],
        unit=unit,
    )


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One corner of a proposal; heights are those now and then, as far as known."""

    name: str | Promise
    before: int
    after: int
    reason: str
    height_now: str
    height_then: str
    uncertainty_then: str
    target: str

    @property
    def difference(self) -> str:
        """Counts, with a typographic sign."""
        return f"{self.after - self.before:+d}".replace("-", MINUS) if self.after != self.before else "0"


def change_rows(proposal: Shown, bars: Mapping[str, ToleranceBar], unit: LengthUnit) -> list[ChangeRow]:
    """The corners of a proposal: from, to, why, and where each is expected to stand."""
    return [
        _change(corner, proposal["changes"][corner], proposal["predicted"].get(corner), bars.get(corner), unit)
        for corner in CORNERS
        if corner in proposal["changes"]
    ]


def _change(
    corner: Corner, change: Shown, predicted: Shown | None, bar: ToleranceBar | None, unit: LengthUnit
) -> ChangeRow:
    return ChangeRow(
        name=CORNER_NAMES[corner],
        before=change["from"],
        after=change["to"],
        reason=change["reason"],
        height_now=bar.height if bar else "",
        height_then=length(predicted["height_mm"], unit) if predicted else "",
        uncertainty_then=length(predicted["expanded_uncertainty_mm"], unit) if predicted else "",
        target=f"{bar.target} ± {bar.tolerance}" if bar else "",
    )


@dataclass(frozen=True, slots=True)
class LimitRow:
    name: str | Promise
    corner: str | Promise
    outcome: str | Promise
    detail: str
    is_kept: bool


def limit_rows(proposal: Shown) -> list[LimitRow]:
    """What the proposal was compared with; what is exceeded, or to be looked at, first."""
    order = {"refuse": 0, "review": 1, "pass": 2}
    found = sorted(proposal["limits"], key=lambda each: order[each["outcome"]])
    return [
        LimitRow(
            name=words.LIMITS.get(each["code"], each["code"]),
            corner=CORNER_NAMES.get(each["corner"] or "", ""),
            outcome=words.LIMIT_OUTCOMES[each["outcome"]],
            detail=each["detail"],
            is_kept=each["outcome"] == "pass",
        )
        for each in found
    ]


def consequence_rows(consequences: Shown, unit: LengthUnit) -> list[Row]:
    """What the whole body does, in words and by how much; what hardly changes is left out."""
    return [
        *_attitude_rows(consequences, unit),
        *_headlamp_rows(consequences),
        *(
            (name, text)
            for member, name in words.FIGURES_ABOVE_GROUND.items()
            if (text := _from_to(member, consequences.get(member), unit))
        ),
    ]


def _attitude_rows(consequences: Shown, unit: LengthUnit) -> list[Row]:
    text = _("by %(length)s")
    return [
        (named[0] if consequences[member] > 0 else named[1], text % {"length": height(abs(consequences[member]), unit)})
        for member, named in words.CHANGES_OF_ATTITUDE.items()
        if abs(consequences.get(member, 0.0)) >= HARDLY_MM
    ]


def _headlamp_rows(consequences: Shown) -> list[Row]:
    """By how much the beams turn; what is allowed is for local rules to say."""
    change = consequences.get("headlamp_inclination_change_pct", 0.0)
    if abs(change) < HARDLY_PCT:
        return []
    upwards, downwards = _("%(percent)s upwards; check local rules"), _("%(percent)s downwards; check local rules")
    text = (upwards if change > 0 else downwards) % {"percent": f"{_digits(abs(change), 2)} %"}
    beam = consequences.get("headlamp_inclination_pct")
    if beam is not None:
        text = f"{text} ({_digits(beam['before'], 2)} → {_digits(beam['after'], 2)} %)"
    return [(_("Headlamp beams"), text)]


def _from_to(member: str, found: Shown | None, unit: LengthUnit) -> str:
    """A figure before and after; nothing where it is not known or reads alike."""
    if found is None:
        return ""
    before, after = (_measured(member, found[when], unit) for when in ("before", "after"))
    sign = f" {UNIT_SIGNS[unit]}" if member.endswith("_mm") else "°" if member.endswith("_deg") else ""
    return "" if before == after else f"{before} → {after}{sign}"


def _measured(member: str, value: float, unit: LengthUnit) -> str:
    if member.endswith("_mm"):
        return length(value, unit)
    return _digits(value, 1 if member.endswith("_deg") else 3)


def _digits(value: float, decimals: int) -> str:
    """Rounded half away from zero, as everywhere; zero never carries a sign."""
    return figure(str(Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP) + 0))


def percent(share: float | None) -> int | None:
    """A probability as whole per cent, never rounded to certainty."""
    if share is None:
        return None
    rounded = round(100 * share)
    return min(max(rounded, 1), 99) if 0 < share < 1 else rounded


def height(value: Decimal | float, unit: LengthUnit) -> str:
    return f"{length(float(value), unit)} {UNIT_SIGNS[unit]}"

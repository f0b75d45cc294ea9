"""Past height checks, a row each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import timedelta
from functools import cache
from typing import Any, Final

from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from calibration.api.serializers.height_checks import NewHeightCheck
from calibration.metrology.corners import CORNERS
from calibration.selectors.check_days import AssumedTime
from calibration.services.past_checks import PastCheck, past_checks_record
from fleet.api.fields import HeightMm, TrimmedText, VinField
from fleet.errors import LevelbookError
from fleet.models import Instrument, Vehicle, VinCorrection
from fleet.selectors.instruments import instruments

from . import columns as cells
from . import headings
from .columns import Column, values_of
from .faults import Fault, RowFault, faults_of
from .kinds import Piece
from .sources import Row

LONGEST_SERIAL: Final = 60
FAST_CLOCK: Final = timedelta(days=1)
EXAMPLE_TIME: Final = "2025-05-04T09:30:00+02:00"
_LOADINGS: Final = {
    **dict.fromkeys(("as_specified", "loaded_as_specified", "wie_vorgegeben", "wie_vorgeschrieben"), "as_specified"),
    "wie_vorgegeben_beladen": "as_specified",
    **dict.fromkeys(("other", "otherwise", "loaded_otherwise", "anders", "anders_beladen"), "other"),
}
"""How people write a loading, `cells.word`."""


class CheckRows:
    """`kind=checks`"""

    name = "checks"
    label = gettext_lazy("Past height checks")
    explanation = gettext_lazy(
        "One check in each row: the vehicle by its VIN, the day (its year with all four digits) or the time, and one "
        "height at every corner. The vehicles have to be here first."
    )

    def columns(self) -> Sequence[Column]:
        return _columns()

    def keys(self, piece: Piece) -> set[str]:
        """Ids that rows came with; others are known by their content and never contradict one."""
        heading = piece.mapping.get("id")
        return {str(row.values.get(heading, "")).strip().lower() for row in piece.rows} if heading else set()

    def carry_out(self, piece: Piece) -> None:
        read = list(self._read(piece))
        checks = list(_resolved(piece, read))
        checks = [each for each in checks if self._is_new(piece, each)]
        outcomes = past_checks_record(actor=piece.actor, checks=checks, facts=piece.facts)
        for check, outcome in zip(checks, outcomes, strict=True):
            if outcome.refusal is not None:
                piece.refuse(check.line, list(_refusals(outcome.refusal)))
                continue
            piece.known += not outcome.is_new
            if outcome.is_new:
                piece.unjudged += not outcome.has_specification
                piece.vehicles.add(check.vehicle.pk)
                piece.accepted_keys |= _key(check)

    def _read(self, piece: Piece) -> Iterable[tuple[Row, dict[str, Any]]]:
        for row in piece.rows:
            values, faults = _values(row.values, self.columns(), piece)
            if not faults and _is_to_come(values, piece):
                detail = _("This day or time is still to come. Nothing can have been measured then.")
                faults = [Fault("still_to_come", detail, "taken_at")]
            if faults:
                piece.refuse(row.line, faults)
            else:
                yield row, values

    def _is_new(self, piece: Piece, check: PastCheck) -> bool:
        """Where earlier pieces had no effect either, what they would have recorded is looked up here."""
        seen = piece.seen.get(str(check.record_id))
        if seen is None:
            return True
        if seen == check.fingerprint.hex():
            piece.known += 1
        else:
            detail = _("The id stands in an earlier row with another content. Give each row its own, or none.")
            piece.refuse(check.line, [Fault("id_reused", detail, "id")])
        return False


def _key(check: PastCheck) -> dict[str, str]:
    return {str(check.record_id): check.fingerprint.hex()} if check.record_id else {}


def _values(row: Mapping[str, Any], columns: Sequence[Column], piece: Piece) -> tuple[dict[str, Any], list[Fault]]:
    """What a row says, and what is wrong with it; a day and a time of day in columns of their own are one time."""
    day, clock = (piece.mapping.get(each) for each in ("taken_at", "clock"))
    if day and clock and cells.is_day_alone(row.get(day) or "") and (time := str(row.get(clock) or "").strip()):
        with suppress(RowFault):  # the column itself says what is wrong with it
            row = {**row, day: f"{str(row[day]).strip()} {cells.clock(time, piece.reading)}"}
    values, faults = values_of(row, columns, piece.mapping, piece.reading)
    if not faults and day and values["clock"]:
        faults = list(_other_time(row[day], values["clock"]))
    values["assumed"] = None
    if piece.reading.time_of_day is not None and not faults:
        _note_what_is_assumed(row, values, piece)
    return values, faults


def _other_time(written: Any, clock: str) -> Iterable[Fault]:
    """A spreadsheet's day may come as its midnight: nobody guesses which of two times of day was meant."""
    found = cells.time_written(written)
    if found is not None and found[:5] != clock[:5]:
        detail = _(
            "This says %(clock)s, and the day beside it has the time %(found)s. Leave the time in one of the two."
        )
        yield Fault("two_times", detail % {"clock": clock[:5], "found": found[:5]}, "clock")


def _note_what_is_assumed(row: Mapping[str, Any], values: dict[str, Any], piece: Piece) -> None:
    reading, mapping = piece.reading, piece.mapping
    assert reading.time_of_day is not None
    assert reading.zone_of_days is not None
    if cells.is_day_alone(row.get(mapping["taken_at"])):
        zone = reading.zone_of_days
        day = values["taken_at"].astimezone(zone).date()
        values["assumed"] = AssumedTime(day, reading.time_of_day.isoformat("minutes"), zone.key)
    received = mapping.get("received_at")  # a column without a heading is none
    if received and cells.is_day_alone(row.get(received)):  # nothing is received before it is measured
        values["received_at"] = max(values["received_at"], values["taken_at"])


def _is_to_come(values: Mapping[str, Any], piece: Piece) -> bool:
    """A clock may go somewhat fast, and noon of today be assumed in the morning."""
    now, assumed = piece.actor.now, values["assumed"]
    if assumed is not None:
        return bool(assumed.day > now.astimezone(piece.reading.zone_of_days).date())
    return bool(values["taken_at"] > now + FAST_CLOCK)


def _refusals(error: LevelbookError) -> Iterable[Fault]:
    """A service names readings by their place, which are the corners' columns here."""
    places = {f"/readings/{place}/height_mm": f"{corner}_mm" for place, corner in enumerate(CORNERS)}
    for fault in faults_of(error, places):
        if fault.code != "confirm_height":
            yield fault
            continue
        detail = _(
            "%(detail)s Compare it with what was noted then; where it is right, write “yes” in a column “%(heading)s”."
        )
        named = headings.heading("confirmed", get_language() or "en")
        yield Fault(fault.code, detail % {"detail": fault.detail, "heading": named}, fault.column)


def _loading(value: Any, reading: cells.Reading) -> str:
    """As the interface writes it, or in words."""
    written = cells.word(value, reading)
    if written not in _LOADINGS:
        detail = _("“%(value)s” does not say how the vehicle was loaded. Write “as specified” or “otherwise”.")
        raise RowFault("not_allowed", detail % {"value": cells.shown(value)})
    return _LOADINGS[written]


def _resolved(piece: Piece, read: Sequence[tuple[Row, dict[str, Any]]]) -> Iterable[PastCheck]:
    """Vehicles by their VIN, instruments by their serial number."""
    vehicles = _vehicles({values["vin"] for _row, values in read})
    tapes = _instruments({values["instrument"] for _row, values in read} - {None})
    for row, values in read:
        faults = []
        if values["vin"] not in vehicles:
            detail = _("There is no vehicle with the VIN %(vin)s. Add it first, or import the vehicles first.")
            faults.append(Fault("unknown_vehicle", detail % {"vin": values["vin"]}, "vin"))
        if values["instrument"] is not None and values["instrument"] not in tapes:
            detail = _("There is no instrument with the serial number %(serial)s. Add it first.")
            serial = cells.shown(values["instrument"])
            faults.append(Fault("unknown_instrument", detail % {"serial": serial}, "instrument"))
        if faults:
            piece.refuse(row.line, faults)
        else:
            yield _past(row.line, values, vehicles[values["vin"]], tapes.get(values["instrument"]))


def _past(line: int, values: Mapping[str, Any], vehicle: Vehicle, instrument: Instrument | None) -> PastCheck:
    return PastCheck(
        vehicle=vehicle,
        taken_at=values["taken_at"],
        heights_mm={corner: values[f"{corner}_mm"] for corner in CORNERS},
        loading=values["loading"],
        record_id=values["id"],
        received_at=values["received_at"],
        odometer_km=values["odometer_km"],
        instrument=instrument,
        temperature_deg_c=values["temperature_deg_c"],
        note=values["note"] or "",
        assumed=values["assumed"],
        confirmed=bool(values["confirmed"]),
        line=line,
    )


def _vehicles(vins: set[str]) -> dict[str, Vehicle]:
    """By their VIN, or by one that was corrected since."""
    found = {each.vin: each for each in Vehicle.objects.select_related("vehicle_model").filter(vin__in=vins)}
    missing = vins - found.keys()
    if missing:
        corrections = VinCorrection.objects.filter(previous_vin__in=missing).order_by("recorded_at", "id")
        for each in corrections.select_related("vehicle__vehicle_model"):
            found[each.previous_vin] = each.vehicle
    return found


def _instruments(serials: set[str]) -> dict[str, Instrument]:
    return {each.serial: each for each in instruments().filter(serial__in=serials)}


@cache
def _columns() -> tuple[Column, ...]:
    body = NewHeightCheck().fields
    height = HeightMm()
    corners = {"FL": "486.5", "FR": "487", "RL": "503.5", "RR": "504"}
    heights = {
        "FL": gettext_lazy("height front left, mm"),
        "FR": gettext_lazy("height front right, mm"),
        "RL": gettext_lazy("height rear left, mm"),
        "RR": gettext_lazy("height rear right, mm"),
    }
    return (
        Column("vin", gettext_lazy("VIN of the vehicle"), cells.text, VinField(), True, "0LBWAGNX5RA000017"),
        Column(
            "taken_at", gettext_lazy("date and time of the check"), cells.moment, body["taken_at"], True, EXAMPLE_TIME
        ),
        Column("clock", gettext_lazy("time of day, where it has a column of its own"), cells.clock, is_special=True),
        Column(
            "received_at",
            gettext_lazy("when it was received where it was kept before"),
            cells.moment,
            body["taken_at"],
            is_special=True,
        ),
        Column("odometer_km", gettext_lazy("odometer, km"), cells.kilometres, body["odometer_km"], example="41250"),
        Column(
            "instrument",
            gettext_lazy("serial number of the instrument"),
            cells.text,
            TrimmedText(max_length=LONGEST_SERIAL),
        ),
        Column(
            "loading",
            gettext_lazy("how the vehicle was loaded"),
            _loading,
            body["loading"],
            True,
            "as_specified",
            may_be_given=True,
            shown_example=gettext_lazy("as specified"),
        ),
        *(Column(f"{each}_mm", heights[each], cells.number, height, True, corners[each]) for each in CORNERS),
        Column("temperature_deg_c", gettext_lazy("temperature, °C"), cells.number, body["temperature_deg_c"]),
        Column("confirmed", gettext_lazy("heights far from the target are right"), cells.yes_or_no, is_special=True),
        Column("note", gettext_lazy("note"), cells.text, body["note"]),
        Column("id", gettext_lazy("id of the check"), cells.record_id, is_special=True),
    )

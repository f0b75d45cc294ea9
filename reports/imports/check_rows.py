"""Past height checks, a row each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.api.serializers.height_checks import NewHeightCheck
from calibration.metrology.corners import CORNERS
from calibration.services.past_checks import PastCheck, past_checks_record
from fleet.api.fields import HeightMm, TrimmedText, VinField
from fleet.errors import LevelbookError
from fleet.models import Instrument, Vehicle, VinCorrection
from fleet.selectors.instruments import instruments

from . import columns as cells
from .columns import Column, values_of
from .faults import Fault, faults_of
from .kinds import Piece
from .sources import Row

LONGEST_SERIAL: Final = 60
EXAMPLE_TIME: Final = "2025-05-04T09:30:00+02:00"


class CheckRows:
    """`kind=checks`"""

    name = "checks"
    label = gettext_lazy("Past height checks")
    explanation = gettext_lazy("One height at every corner in each row, with the vehicle’s VIN and the time.")

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
                piece.vehicles.add(check.vehicle.pk)
                piece.accepted_keys |= _key(check)

    def _read(self, piece: Piece) -> Iterable[tuple[Row, dict[str, Any]]]:
        for row in piece.rows:
            values, faults = values_of(row.values, self.columns(), piece.mapping, piece.reading)
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


def _refusals(error: LevelbookError) -> Iterable[Fault]:
    """A service names readings by their place, which are the corners' columns here."""
    places = {f"/readings/{place}/height_mm": f"{corner}_mm" for place, corner in enumerate(CORNERS)}
    for fault in faults_of(error, places):
        if fault.code == "confirm_height":
            detail = _("%(detail)s In a file, a column “confirmed” says so.") % {"detail": fault.detail}
            yield Fault(fault.code, f"{fault.column}: {detail}", fault.column)
        else:
            yield Fault(fault.code, f"{fault.column}: {fault.detail}" if fault.column else fault.detail, fault.column)


def _resolved(piece: Piece, read: Sequence[tuple[Row, dict[str, Any]]]) -> Iterable[PastCheck]:
    """Vehicles by their VIN, instruments by their serial number."""
    vehicles = _vehicles({values["vin"] for _row, values in read})
    tapes = _instruments({values["instrument"] for _row, values in read} - {None})
    for row, values in read:
        faults = []
        if values["vin"] not in vehicles:
            detail = _("vin: There is no vehicle with the VIN %(vin)s. Add it first, or import the vehicles first.")
            faults.append(Fault("unknown_vehicle", detail % {"vin": values["vin"]}, "vin"))
        if values["instrument"] is not None and values["instrument"] not in tapes:
            detail = _("instrument: There is no instrument with the serial number %(serial)s. Add it first.")
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
    return (
        Column("vin", gettext_lazy("VIN"), cells.text, VinField(), True, "0LBWAGNX5RA000017"),
        Column("taken_at", gettext_lazy("measured at"), cells.moment, body["taken_at"], True, EXAMPLE_TIME),
        Column("received_at", gettext_lazy("received at"), cells.moment, body["taken_at"]),
        Column("odometer_km", gettext_lazy("odometer, km"), cells.kilometres, body["odometer_km"], example="41250"),
        Column(
            "instrument",
            gettext_lazy("instrument’s serial number"),
            cells.text,
            TrimmedText(max_length=LONGEST_SERIAL),
        ),
        Column("loading", gettext_lazy("loading"), cells.word, body["loading"], True, "as_specified"),
        *(
            Column(f"{each}_mm", gettext_lazy("height in mm"), cells.number, height, True, corners[each])
            for each in CORNERS
        ),
        Column("temperature_deg_c", gettext_lazy("temperature, °C"), cells.number, body["temperature_deg_c"]),
        Column("confirmed", gettext_lazy("heights far from target are right"), cells.yes_or_no),
        Column("note", gettext_lazy("note"), cells.text, body["note"]),
        Column("id", gettext_lazy("id of the check"), cells.record_id),
    )

"""Vehicles, a row each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any, Final

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet import services
from fleet.api.fields import StrictInteger, TrimmedText, VinField
from fleet.api.vehicles import VehicleInput
from fleet.errors import LevelbookError
from fleet.fingerprint import fingerprint
from fleet.ids import new_id
from fleet.models import Operator, Vehicle, VehicleModel, VinCorrection
from fleet.vin import normalise_vin

from . import columns as cells
from .columns import Column, shown, values_of
from .faults import Fault, faults_of
from .kinds import Piece

LONGEST_NAME: Final = 120
_COLUMNS_OF: Final = {"/vehicle_model": "model"}


class VehicleRows:
    """`kind=vehicles`"""

    name = "vehicles"
    label = gettext_lazy("Vehicles")
    explanation = gettext_lazy(
        "One vehicle in each row. Its operator and its make and model are named as they are recorded here, and have to "
        "be there first."
    )

    def columns(self) -> Sequence[Column]:
        return _columns()

    def keys(self, piece: Piece) -> set[str]:
        heading = piece.mapping.get("vin", "")
        return {_plain_vin(row.values.get(heading)) for row in piece.rows}

    def carry_out(self, piece: Piece) -> None:
        read = []
        for row in piece.rows:
            values, faults = values_of(row.values, self.columns(), piece.mapping, piece.reading)
            if faults:
                piece.refuse(row.line, faults)
            else:
                read.append((row.line, values))
        names = _Names({values["operator"] for _line, values in read}, {values["make"] for _line, values in read})
        vins = {values["vin"] for _line, values in read}
        known, corrected = _on_record(vins) | piece.seen, _corrected(vins)
        for line, values in read:
            body, faults = names.resolve(values)
            if not faults:
                earlier = corrected.get(values["vin"]) if values["vin"] not in known else None
                faults = list(self._add(piece, body, known) if earlier is None else _again(piece, body, earlier))
            if faults:
                piece.refuse(line, faults)

    def _add(self, piece: Piece, body: dict[str, Any], known: dict[str, str]) -> Iterable[Fault]:
        mine = fingerprint(body)
        if body["vin"] in known:
            if known[body["vin"]] == mine:
                piece.known += 1
                return
            detail = _(
                "There is already a vehicle with the VIN %(vin)s, and this row says something else of it. "
                "Change it on its page."
            )
            yield Fault("vin_taken", detail % {"vin": body["vin"]}, "vin")
            return
        try:
            with transaction.atomic():
                services.vehicle_add(actor=piece.actor, record_id=new_id(), **body)
        except LevelbookError as refusal:
            yield from faults_of(refusal, _COLUMNS_OF)
            return
        except IntegrityError:
            yield Fault("vin_taken", _("Somebody added this vehicle at the same moment."), "vin")
            return
        known[body["vin"]] = piece.accepted_keys[body["vin"]] = mine


def _again(piece: Piece, body: Mapping[str, Any], vehicle: Vehicle) -> Iterable[Fault]:
    """A row with a VIN that was corrected since: it must not add the vehicle a second time."""
    if fingerprint({**body, "vin": vehicle.vin}) == _fingerprint(vehicle):
        piece.known += 1
        return
    detail = _(
        "The VIN %(vin)s was corrected to %(now)s since, and this row says something else of that vehicle. Change it "
        "on its page; where another vehicle has this VIN, add that on the page for new ones."
    )
    yield Fault("vin_corrected", detail % {"vin": body["vin"], "now": vehicle.vin}, "vin")


class _Names:
    """Operators and models as rows name them."""

    def __init__(self, operators: set[str], makes: set[str]) -> None:
        self.operators = {each.name.casefold(): each for each in Operator.objects.all()} if operators else {}
        self.models: dict[tuple[str, str], list[VehicleModel]] = {}
        for each in VehicleModel.objects.order_by("year_from", "id") if makes else ():
            self.models.setdefault((each.make.casefold(), each.name.casefold()), []).append(each)

    def resolve(self, values: Mapping[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
        """What the service takes, or what is wrong."""
        operator = self.operators.get(values["operator"].casefold())
        faults = [] if operator else [_unknown_operator(values["operator"])]
        known = self.models.get((values["make"].casefold(), values["model"].casefold()), [])
        model = _of_year(known, values["model_year"])
        if model is None:
            faults.append(_unknown_model(values) if not known else _which_model(values))
        if operator is None or model is None:
            return {}, faults
        return {
            "vin": values["vin"],
            "registration": values["registration"] or "",
            "vehicle_model": model.pk,
            "model_year": values["model_year"],
            "operator": operator.pk,
        }, []


def _of_year(known: Sequence[VehicleModel], year: int | None) -> VehicleModel | None:
    """The one of a name that was made in a year; where there is one only, the service says whether the year fits."""
    if len(known) == 1:
        return known[0]
    if year is None:
        return None
    return next((each for each in known if each.year_from <= year <= (each.year_to or year)), None)


def _unknown_operator(name: str) -> Fault:
    detail = _("There is no operator “%(name)s”. Add it under Operators, or write it as it is there.")
    return Fault("unknown_operator", detail % {"name": shown(name)}, "operator")


def _unknown_model(values: Mapping[str, Any]) -> Fault:
    detail = _("There is no vehicle model “%(make)s %(model)s”. Add it, or write it as it is recorded.")
    return Fault("unknown_model", detail % {"make": shown(values["make"]), "model": shown(values["model"])}, "model")


def _which_model(values: Mapping[str, Any]) -> Fault:
    detail = _("“%(make)s %(model)s” is recorded several times. Give the model year, so that one fits.")
    named = {"make": shown(values["make"]), "model": shown(values["model"])}
    return Fault("ambiguous_model", detail % named, "model_year")


def _on_record(vins: set[str]) -> dict[str, str]:
    """Fingerprints of what is on record of these."""
    return {each.vin: _fingerprint(each) for each in Vehicle.objects.filter(vin__in=vins)}


def _corrected(vins: set[str]) -> dict[str, Vehicle]:
    """Vehicles that had one of these before theirs was corrected."""
    corrections = VinCorrection.objects.filter(previous_vin__in=vins).order_by("recorded_at", "id")
    return {each.previous_vin: each.vehicle for each in corrections.select_related("vehicle")}


def _fingerprint(vehicle: Vehicle) -> str:
    return fingerprint(
        {
            "vin": vehicle.vin,
            "registration": vehicle.registration,
            "vehicle_model": vehicle.vehicle_model_id,
            "model_year": vehicle.model_year,
            "operator": vehicle.operator_id,
        }
    )


def _plain_vin(value: Any) -> str:
    return normalise_vin(str(value or "").strip())[:LONGEST_NAME]


@cache
def _columns() -> tuple[Column, ...]:
    body = VehicleInput().fields
    name = TrimmedText(max_length=LONGEST_NAME)
    year = StrictInteger(min_value=1900, max_value=2100)
    return (
        Column("vin", gettext_lazy("VIN of the vehicle"), cells.text, VinField(), True, "0LBWAGNX5RA000017"),
        Column("registration", gettext_lazy("registration"), cells.text, body["registration"], example="LB 17"),
        Column("make", gettext_lazy("make"), cells.text, name, True, "Brae"),
        Column("model", gettext_lazy("model"), cells.text, name, True, "Fell"),
        Column("model_year", gettext_lazy("model year"), cells.whole, year, example="2024"),
        Column("operator", gettext_lazy("operator"), cells.text, name, True, "Tarn Lodge"),
    )

"""A form of every kind, with what is typed into it and what comes of that."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.db.models import Model
from django.utils import timezone

from fleet.models import (
    AccessToken,
    Bay,
    Fitment,
    Instrument,
    InstrumentCalibration,
    InstrumentWithdrawal,
    Membership,
    Operator,
    ServiceEvent,
    Specification,
    Vehicle,
    VehicleModel,
    VinCorrection,
    Workshop,
)
from tests.factories import new_vin

from .conftest import Furnished

TODAY = timezone.localdate().isoformat()


@dataclass(frozen=True)
class Case:
    """A form: what is typed into it, what is then recorded, and what spoils it."""

    path: str
    typed: dict[str, Any]
    model: type[Model]
    recorded: dict[str, Any]
    spoilt: dict[str, Any]
    in_error: str
    is_change: bool = False
    shows_once: bool = False
    """What was made is shown in the answer, and never again."""
    kept: dict[str, str] = field(default_factory=dict)
    """What stands on the page that comes back, besides what was typed."""

    @property
    def status_done(self) -> int:
        return 200 if self.shows_once else 302


def cases(has: Furnished) -> dict[str, Case]:
    model, vin = f"/vehicle-models/{has.vehicle_model.pk}/", has.vehicle.vin
    instrument = f"/instruments/{has.instrument.pk}/"
    other_vin = new_vin()
    return {
        "operator": Case(
            "/operators/new/",
            {"name": "Tarn Lodge", "email": "fleet@tarn-lodge.example", "address": "Quay 4\nTarn"},
            Operator,
            {"name": "Tarn Lodge", "address": "Quay 4\nTarn"},
            {"email": "no address"},
            "email",
        ),
        "operator without an e-mail address": Case(
            "/operators/new/",
            {"name": "Fell Taxi", "email": ""},
            Operator,
            {"name": "Fell Taxi", "email": ""},
            {"name": ""},
            "name",
        ),
        "operator without one any more": Case(
            f"/operators/{has.operator.pk}/",
            {"email": ""},
            Operator,
            {"pk": has.operator.pk, "email": ""},
            {"name": ""},
            "name",
            is_change=True,
        ),
        "operator changed": Case(
            f"/operators/{has.operator.pk}/",
            {"telephone": "01 555 0100"},
            Operator,
            {"pk": has.operator.pk, "telephone": "01 555 0100"},
            {"name": ""},
            "name",
            is_change=True,
        ),
        "bay": Case(
            "/bays/new/",
            {
                "name": "Bay 9",
                "surveyed_on": "2026-03-02",
                "pad_levels_mm__FL": "0",
                "pad_levels_mm__FR": "0,5",
                "pad_levels_mm__RL": "-0.5",
                "pad_levels_mm__RR": "0",
            },
            Bay,
            {"name": "Bay 9", "pad_levels_mm": {"FL": 0, "FR": 0.5, "RL": -0.5, "RR": 0}},
            {"pad_levels_mm__RR": "900"},
            "pad_levels_mm-RR",
        ),
        "bay changed": Case(
            f"/bays/{has.bay.pk}/",
            {"pad_levels_mm__RR": "1,25"},
            Bay,
            {"pk": has.bay.pk, "pad_levels_mm__RR": 1.25},
            {"surveyed_on": "2026-02-30"},
            "surveyed_on",
            is_change=True,
        ),
        "instrument of a class": Case(
            "/instruments/new/",
            {
                "serial": "ZX-900",
                "kind": "tape",
                "accuracy_class": "II",
                "resolution_mm": "1",
                "length_mm": "3000",
                "calibrated_on": TODAY,
                "calibration_due_on": "2099-03-02",
            },
            Instrument,
            {"serial": "ZX-900", "accuracy_class": "II", "hook_end": False},
            {"accuracy_class": ""},
            "accuracy_class",
        ),
        "instrument with a certificate": Case(
            "/instruments/new/",
            {
                "serial": "L-900",
                "kind": "laser",
                "resolution_mm": "0,1",
                "length_mm": "5000",
                "calibrated_on": TODAY,
                "calibration_due_on": "2099-03-02",
                "certificate__expanded_uncertainty_mm": "0,3",
                "certificate__coverage_factor": "2",
                "hook_end": "on",
            },
            Instrument,
            {"serial": "L-900", "accuracy_class": "", "hook_end": True},
            {"certificate__coverage_factor": ""},
            "certificate-coverage_factor",
        ),
        "calibration": Case(
            f"{instrument}calibration/",
            {"calibrated_on": TODAY, "calibration_due_on": "2098-01-01", "certificate_number": "C 77"},
            InstrumentCalibration,
            {"instrument": has.instrument.pk, "certificate_number": "C 77"},
            {"calibration_due_on": TODAY},
            "calibration_due_on",
        ),
        "withdrawal": Case(
            f"{instrument}withdrawal/",
            {"kind": "damaged", "since": TODAY, "reason": "Hook bent."},
            InstrumentWithdrawal,
            {"instrument": has.instrument.pk, "reason": "Hook bent."},
            {"since": "2099-01-01"},
            "since",
        ),
        "vehicle model": Case(
            "/vehicle-models/new/",
            {"make": "Corve", "name": "Haul 12", "year_from": "2022"},
            VehicleModel,
            {"make": "Corve", "year_to": None},
            {"year_to": "2021"},
            "year_to",
        ),
        "vehicle model changed": Case(
            f"{model}change/",
            {"year_to": "2031"},
            VehicleModel,
            {"pk": has.vehicle_model.pk, "year_to": 2031},
            {"year_from": "twenty"},
            "year_from",
            is_change=True,
        ),
        "specification": Case(
            f"{model}specifications/new/",
            {"side_difference_max_mm": "5,5", "linked_corners": ["RL RR"], "allowed_tyres": "255/60R18\n\n275/65R18 "},
            Specification,
            {
                "revision": 3,
                "content__side_difference_max_mm": 5.5,
                "content__linked_corners": [["RL", "RR"]],
                "content__allowed_tyres": ["255/60R18", "275/65R18"],
            },
            {"front__setpoint_low": "220"},
            "front-setpoint_high",
        ),
        "vehicle": Case(
            "/vehicles/new/",
            {
                "vin": f"{other_vin[:9]} {other_vin[9:]}".lower(),
                "registration": "LB 900",
                "vehicle_model": has.vehicle_model.pk,
                "operator": has.operator.pk,
            },
            Vehicle,
            {"vin": other_vin, "model_year": None},
            {"vin": "1M8GDM9A0KP042788"},
            "vin",
        ),
        "vehicle changed": Case(
            f"/vehicles/{vin}/change/",
            {"registration": "LB 901"},
            Vehicle,
            {"pk": has.vehicle.pk, "registration": "LB 901"},
            {"model_year": "1999"},
            "model_year",
            is_change=True,
        ),
        "VIN corrected": Case(
            f"/vehicles/{vin}/vin-correction/",
            {"vin": other_vin, "reason": "Misread."},
            VinCorrection,
            {"vehicle": has.vehicle.pk, "vin": other_vin},
            {"vin": vin},
            "vin",
        ),
        "tyres": Case(
            f"/vehicles/{vin}/fitments/new/",
            {"odometer_km": "41250,5", "tyres__RR__tread_mm": "6,5"},
            Fitment,
            {"vehicle": has.vehicle.pk, "odometer_km": "41250.5", "tyres__RR__tread_mm": 6.5},
            {"tyres__RL__sidewall": "255-60-18"},
            "tyres-RL-sidewall",
        ),
        "event": Case(
            f"/vehicles/{vin}/events/new/",
            {"kind": "sensor_replaced", "corner": "RL", "note": "Part 7"},
            ServiceEvent,
            {"vehicle": has.vehicle.pk, "corner": "RL", "note": "Part 7"},
            {"corner": ""},
            "corner",
        ),
        "person changed": Case(
            f"/people/{has.site.technician.membership.pk}/",
            {"name": "Kim Arden", "may_approve": "on"},
            Membership,
            {"pk": has.site.technician.membership.pk, "name": "Kim Arden", "may_approve": True},
            {"roles": None},
            "roles",
            is_change=True,
        ),
        "token": Case(
            f"/people/{has.program.membership.pk}/tokens/",
            {"device": "Fleet desk", "scopes": ["read", "vehicles:write"], "expires_at": "2099-03-02T09:30"},
            AccessToken,
            {"device": "Fleet desk", "scopes": ["read", "vehicles:write"], "expires_at__year": 2099},
            {"expires_at": "2020-03-02T09:30"},
            "expires_at",
            shows_once=True,
        ),
        "settings": Case(
            "/settings/",
            {"address": "Mill Lane 3", "time_zone": "Europe/Vienna", "second_factor_required_for": ["auditor"]},
            Workshop,
            {"time_zone": "Europe/Vienna", "second_factor_required_for": ["auditor"]},
            {"name": ""},
            "name",
            is_change=True,
        ),
    }


NAMES = [
    "operator",
    "operator without an e-mail address",
    "operator without one any more",
    "operator changed",
    "bay",
    "bay changed",
    "instrument of a class",
    "instrument with a certificate",
    "calibration",
    "withdrawal",
    "vehicle model",
    "vehicle model changed",
    "specification",
    "vehicle",
    "vehicle changed",
    "VIN corrected",
    "tyres",
    "event",
    "person changed",
    "token",
    "settings",
]

"""The demo workshop with its people, operators, instruments and models, made through the services."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from fleet import services
from fleet.credentials import Credential
from fleet.ids import new_id
from fleet.models import Bay, Instrument, Membership, Operator, VehicleModel, Workshop
from fleet.tenancy import in_workshop

from . import people, specifications
from .clock import person_at, require_demo

NAME: Final = "Tarn Lane Ride Height (demo)"
ADDRESS: Final = "Unit 4, Tarn Lane\nHollinbeck"
TIME_ZONE: Final = "Europe/London"
YEAR: Final = timedelta(days=365)

OPERATORS: Final[Mapping[str, Mapping[str, str]]] = {
    "ambulances": {
        "name": "Northmere Ambulance Trust",
        "email": "workshops@northmere.example",
        "address": "Station Road\nNorthmere",
    },
    "port": {
        "name": "Skerrow Ferry Port",
        "email": "vehicles@skerrowport.example",
        "address": "Linkspan 2\nSkerrow",
    },
    "lodge": {
        "name": "Tembari Plains Safari Lodge",
        "email": "garage@tembariplains.example",
        "address": "Airstrip Road\nTembari Plains",
    },
}


@dataclass(frozen=True, slots=True)
class Model:
    """A vehicle model of the demo; `vds` are positions 4 to 8 of its VINs."""

    make: str
    name: str
    vds: str
    specification: Mapping[str, Any]
    tyre: Mapping[str, Any]


MODELS: Final[Mapping[str, Model]] = {
    "ambulance": Model(
        "Orrin",
        "Medic 38",
        "WMD38",
        specifications.AMBULANCE,
        {"size": "235/65R16C", "load_index": 115, "speed_symbol": "R", "pressure_kpa": 475},
    ),
    "courier": Model(
        "Orrin",
        "Courier R",
        "WCR27",
        specifications.REAR_AIR_VAN,
        {"size": "215/65R16C", "load_index": 109, "speed_symbol": "T", "pressure_kpa": 375},
    ),
    "estate": Model(
        "Brae",
        "Fell",
        "WFE60",
        specifications.ESTATE,
        {"size": "255/60R18", "load_index": 112, "speed_symbol": "V", "pressure_kpa": 250},
    ),
    "shuttle": Model(
        "Skelbrook",
        "Pier 16",
        "WPR16",
        specifications.SHUTTLE,
        {"size": "225/75R16C", "load_index": 121, "speed_symbol": "R", "pressure_kpa": 450},
    ),
    "safari": Model(
        "Dunlath",
        "Savanna 9",
        "WSV09",
        specifications.SAFARI,
        {"size": "265/70R17", "load_index": 115, "speed_symbol": "T", "pressure_kpa": 240},
    ),
}


@dataclass(frozen=True)
class DemoWorkshop:
    """What the stories are told with."""

    workshop: Workshop
    members: Mapping[str, Membership]
    people: Mapping[str, people.Person]
    operators: Mapping[str, Operator]
    models: Mapping[str, VehicleModel]
    tape: Instrument
    laser: Instrument
    bay: Bay


def found(began_at: datetime) -> DemoWorkshop:
    """Make the workshop on its first day."""
    manager = _manager(began_at)
    workshop = manager.workshop
    with in_workshop(workshop.pk):
        _settings(manager, began_at)
        operators = _operators(manager, began_at + timedelta(minutes=20))
        members = {people.MANAGER.key: manager}
        for number, person in enumerate(people.OTHERS):
            members[person.key] = _join(manager, person, operators, began_at + timedelta(hours=1, minutes=9 * number))
        later = began_at + timedelta(hours=3)
        return DemoWorkshop(
            workshop=workshop,
            members=members,
            people={each.key: each for each in (people.MANAGER, *people.OTHERS)},
            operators=operators,
            models=_models(manager, later),
            tape=_instrument(manager, later + timedelta(hours=1), TAPE),
            laser=_instrument(manager, later + timedelta(hours=1, minutes=5), LASER),
            bay=_bay(manager, later + timedelta(hours=1, minutes=20)),
        )


TAPE: Final[Mapping[str, Any]] = {
    "serial": "TL-T07",
    "kind": "tape",
    "accuracy_class": "II",
    "resolution_mm": Decimal(1),
    "length_mm": Decimal(3000),
}
LASER: Final[Mapping[str, Any]] = {
    "serial": "TL-L02",
    "kind": "laser",
    "certificate": {"expanded_uncertainty_mm": Decimal("0.6"), "coverage_factor": Decimal(2)},
    "resolution_mm": Decimal("0.1"),
    "length_mm": Decimal(3000),
}

CALIBRATION_NUMBERS: Final[Mapping[str, int]] = {TAPE["serial"]: 1186, LASER["serial"]: 1187}
"""Under which the calibration laboratory files an instrument, year after year."""


def _manager(at: datetime) -> Membership:
    who = people.MANAGER
    founded = services.workshop_create(
        name=NAME, email=who.email, password=who.password, now=at, manager_name=who.name, is_demo=True
    )
    require_demo(founded.workshop)
    with in_workshop(founded.workshop.pk):
        services.pin_set(actor=person_at(founded.manager, at), password=who.password, pin=who.pin)
        return Membership.objects.select_related("workshop").get(pk=founded.manager.pk)


def _settings(manager: Membership, at: datetime) -> None:
    services.workshop_update(
        actor=person_at(manager, at),
        expected_versions=[manager.workshop.version],
        changes={"time_zone": TIME_ZONE, "address": ADDRESS, "email": "bench@tarnlane.example"},
    )


def _operators(manager: Membership, at: datetime) -> dict[str, Operator]:
    return {
        key: services.operator_add(
            actor=person_at(manager, at + timedelta(minutes=5 * number)), record_id=new_id(), **fields
        )
        for number, (key, fields) in enumerate(OPERATORS.items())
    }


def _join(manager: Membership, person: people.Person, operators: Mapping[str, Operator], at: datetime) -> Membership:
    """Invited by the manager, accepted an hour later."""
    invited, invitation = services.person_invite(
        actor=person_at(manager, at),
        record_id=new_id(),
        email=person.email,
        name=person.name,
        roles=person.roles,
        operator=operators[person.operator].pk if person.operator else None,
        may_approve=person.may_approve,
    )
    services.invitation_accept(
        credential=Credential(invitation.pk, manager.workshop_id, invited.pk, "invitation"),
        password=person.password,
        pin=person.pin,
        now=at + timedelta(minutes=4),
    )
    return Membership.objects.select_related("workshop").get(pk=invited.pk)


def _models(manager: Membership, at: datetime) -> dict[str, VehicleModel]:
    made = {}
    for number, (key, model) in enumerate(MODELS.items()):
        actor = person_at(manager, at + timedelta(minutes=10 * number))
        made[key] = services.vehicle_model_add(
            actor=actor, record_id=new_id(), make=model.make, name=model.name, year_from=2020, year_to=None
        )
        services.specification_add(
            actor=actor, record_id=new_id(), vehicle_model=made[key], specification=model.specification
        )
    return made


def _instrument(manager: Membership, at: datetime, fields: Mapping[str, Any]) -> Instrument:
    """Calibrated shortly before the first day."""
    calibrated_on = at.date() - timedelta(days=21)
    return services.instrument_add(
        actor=person_at(manager, at),
        record_id=new_id(),
        calibrated_on=calibrated_on,
        calibration_due_on=calibrated_on + YEAR,
        certificate_number=_certificate_number(fields["serial"], calibrated_on),
        **fields,
    )


def calibrate_again(demo: DemoWorkshop, instrument: Instrument, at: datetime) -> None:
    """The yearly calibration."""
    fields = {LASER["serial"]: LASER}.get(instrument.serial, {})
    services.instrument_calibrate(
        actor=person_at(demo.members["manager"], at),
        record_id=new_id(),
        instrument=instrument,
        calibrated_on=at.date(),
        calibration_due_on=at.date() + YEAR,
        certificate=fields.get("certificate"),
        certificate_number=_certificate_number(instrument.serial, at.date()),
    )


def _certificate_number(serial: str, calibrated_on: date) -> str:
    return f"HB {calibrated_on:%y}-{CALIBRATION_NUMBERS[serial]}"


def _bay(manager: Membership, at: datetime) -> Bay:
    levels = {"FL": Decimal(0), "FR": Decimal("0.4"), "RL": Decimal("-0.3"), "RR": Decimal("0.2")}
    return services.bay_add(
        actor=person_at(manager, at),
        record_id=new_id(),
        name="Bay 2",
        surveyed_on=at.date() - timedelta(days=7),
        pad_levels_mm=levels,
    )

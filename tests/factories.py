"""A workshop and what it has, made through the services as in life; shared by the tests of all apps."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import cached_property
from typing import Any, Final

from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.actor import Actor
from fleet.api import examples
from fleet.callers import actor_for
from fleet.credentials import find
from fleet.ids import new_id
from fleet.models import (
    AccessToken,
    Bay,
    Fitment,
    Instrument,
    Membership,
    Operator,
    RefusedSignIn,
    Specification,
    Vehicle,
    VehicleModel,
    Workshop,
)
from fleet.services.sign_in_events import refusal_note
from fleet.tenancy import in_workshop
from fleet.vin import with_check_digit

PASSWORD: Final = "ochre-bench-lamp-41"  # noqa: S105
PIN: Final = "4711"
TYRE: Final = {"size": "255/60R18", "load_index": 112, "speed_symbol": "V"}
SPECIFICATION: Final[Mapping[str, Any]] = {**examples.SPECIFICATION, "effective_from": date(2020, 1, 1)}
"""The example of the interface's description, in force for long."""

_numbers = itertools.count(100_001)
"""All of one length: none is found within another, and names stand in the order in which they were made."""


def new_vin() -> str:
    """Another VIN of a maker code that nobody has, with its right check digit."""
    return with_check_digit(f"0LBWAGNX0RA{next(_numbers):06d}")


@dataclass(frozen=True)
class Person:
    """A member with what only they know."""

    membership: Membership
    token: str
    email: str
    password: str = PASSWORD
    pin: str = PIN

    def actor(self, now: datetime | None = None, *, device_at: datetime | None = None) -> Actor:
        """The person acting, at the given time or now; with the token's scopes."""
        return actor_for(self.membership, now or timezone.now(), token=self._token_found, device_at=device_at)

    @cached_property
    def _token_found(self) -> AccessToken | None:
        """Looked up once: most tests take many steps by the same person."""
        with in_workshop(self.membership.workshop_id):
            credential = find("token", self.token)
            return self.membership.tokens.get(pk=credential.id) if credential else None

    def client(self) -> APIClient:
        """An HTTP client that sends the person's token."""
        client = APIClient()
        client.credentials(HTTP_AUTHORIZATION=f"Bearer {self.token}")
        return client


@dataclass(frozen=True)
class Site:
    """A workshop with a manager and a technician; everything else on demand."""

    workshop: Workshop
    manager: Person
    technician: Person
    began_at: datetime
    vehicles_at_hand: list[Vehicle] = field(default_factory=list)
    """Made before the test; given first to who asks for any vehicle."""
    tapes_at_hand: list[Instrument] = field(default_factory=list)

    def person(self, *roles: str, **fields: Any) -> Person:
        """Another member who accepted their invitation, with password, PIN and token."""
        return add_person(self.workshop, self.manager, roles, self.began_at, **fields)

    def setting_up(self) -> Actor:
        """The manager on the first day."""
        return self.manager.actor(self.began_at)

    def operator(self, **fields: Any) -> Operator:
        number = next(_numbers)
        values = {"name": f"Operator {number}", "email": f"operator-{number}@example.com", **fields}
        with in_workshop(self.workshop.pk):
            return services.operator_add(actor=self.setting_up(), record_id=new_id(), **values)

    def instrument(self, **fields: Any) -> Instrument:
        """A steel tape of class II, calibrated on the first day, due in a year."""
        if self.tapes_at_hand and not fields:
            return self.tapes_at_hand.pop()
        today = self.began_at.date()
        values = {
            "serial": f"T-{next(_numbers)}",
            "kind": "tape",
            "accuracy_class": "II",
            "resolution_mm": Decimal(1),
            "length_mm": Decimal(3000),
            "calibrated_on": today,
            "calibration_due_on": today + timedelta(days=365),
            **fields,
        }
        with in_workshop(self.workshop.pk):
            return services.instrument_add(actor=self.setting_up(), record_id=new_id(), **values)

    def bay(self, **fields: Any) -> Bay:
        values = {
            "name": f"Bay {next(_numbers)}",
            "surveyed_on": self.began_at.date() - timedelta(days=1),  # a day that has come wherever it is
            "pad_levels_mm": {"FL": 0, "FR": Decimal("0.5"), "RL": 0, "RR": Decimal("-0.5")},
            **fields,
        }
        with in_workshop(self.workshop.pk):
            return services.bay_add(actor=self.setting_up(), record_id=new_id(), **values)

    def vehicle_model(self, **fields: Any) -> VehicleModel:
        values = {"make": "Brae", "name": f"Fell {next(_numbers)}", "year_from": 2020, "year_to": 2029, **fields}
        with in_workshop(self.workshop.pk):
            return services.vehicle_model_add(actor=self.setting_up(), record_id=new_id(), **values)

    def specification(self, vehicle_model: VehicleModel | None = None, **changes: Any) -> Specification:
        """A revision with the example's content, changed field by field."""
        model = vehicle_model or self.vehicle_model()
        with in_workshop(self.workshop.pk):
            return services.specification_add(
                actor=self.setting_up(),
                record_id=new_id(),
                vehicle_model=model,
                specification={**SPECIFICATION, **changes},
            )

    def vehicle(self, **fields: Any) -> Vehicle:
        """A vehicle of a model that has a specification; `vehicle_model` and `operator` may be given as rows."""
        if self.vehicles_at_hand and not fields:
            return self.vehicles_at_hand.pop()
        model = fields.pop("vehicle_model", None) or self.specification().vehicle_model
        operator = fields.pop("operator", None) or self.operator()
        number = next(_numbers)
        values = {"vin": new_vin(), "registration": f"LB {number}", "model_year": 2024, **fields}
        with in_workshop(self.workshop.pk):
            return services.vehicle_add(
                actor=self.setting_up(),
                record_id=new_id(),
                vehicle_model=model.pk,
                operator=operator.pk,
                **values,
            )

    def fitment(self, vehicle: Vehicle, **fields: Any) -> Fitment:
        values = {
            "fitted_on": self.began_at.date(),
            "tyres": {corner: dict(TYRE) for corner in ("FL", "FR", "RL", "RR")},
            **fields,
        }
        with in_workshop(self.workshop.pk):
            return services.fitment_record(actor=self.setting_up(), record_id=new_id(), vehicle=vehicle, **values)


def make_site(*, began_at: datetime | None = None, is_demo: bool = False) -> Site:
    """A new workshop that has existed for a day (or since `began_at`), with a manager and a technician."""
    began = began_at or timezone.now() - timedelta(days=1)
    number = next(_numbers)
    email = f"manager-{number}-{new_id().hex[-8:]}@example.com"
    founded = services.workshop_create(
        name=f"Workshop {number}", email=email, password=PASSWORD, now=began, is_demo=is_demo
    )
    manager = Person(founded.manager, founded.token, email)
    with in_workshop(founded.workshop.pk):
        services.pin_set(actor=manager.actor(began), password=PASSWORD, pin=PIN)
    manager = replace(manager, membership=_again(founded.manager))
    technician = add_person(founded.workshop, manager, ("technician",), began)
    return Site(founded.workshop, manager, technician, began)


def leave_something_behind() -> None:
    """Rows in tables of no workshop, as tests that commit leave them: no test may count on having those to itself."""
    from allauth.mfa.models import Authenticator

    left = make_site()
    for kind in (Authenticator.Type.TOTP, Authenticator.Type.WEBAUTHN):
        Authenticator.objects.create(user_id=left.technician.membership.user_id, type=kind, data={})
    long_ago = timezone.now() - timedelta(days=80)
    for refused in RefusedSignIn.Kind:
        refusal_note(email=left.technician.email, kind=refused, now=long_ago, how="password", address=None)


def add_person(workshop: Workshop, manager: Person, roles: tuple[str, ...], now: datetime, **fields: Any) -> Person:
    """Invite a person, let them accept and sign in."""
    number = next(_numbers)
    email = fields.pop("email", f"person-{number}-{new_id().hex[-8:]}@example.com")
    scopes = fields.pop("scopes", None)
    with in_workshop(workshop.pk):
        _invited, invitation = services.person_invite(
            actor=manager.actor(now),
            record_id=new_id(),
            email=email,
            roles=list(roles),
            **{"name": f"Person {number}", **fields},
        )
        credential = find("invitation", services.invitation_code(invitation))
        assert credential is not None
        member, _new = services.invitation_accept(credential=credential, password=PASSWORD, pin=PIN, now=now)
        if scopes:
            _token, secret = services.integrator_token_issue(
                actor=manager.actor(now), record_id=new_id(), membership=member, device="program", scopes=scopes
            )
        else:
            _token, secret = services.token_issue(actor=actor_for(member, now), record_id=new_id(), device="tablet")
    return Person(member, secret, email)


def _again(membership: Membership) -> Membership:
    with in_workshop(membership.workshop_id):
        return Membership.objects.get(pk=membership.pk)

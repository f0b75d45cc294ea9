"""The database is the last guard: each constraint refuses what goes round the services, and says so to people."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import psycopg
import pytest
from django.apps import apps
from django.db import IntegrityError, models, transaction

from fleet.api.problems import problem_for_exception
from fleet.ids import new_id
from fleet.models import (
    AccessToken,
    Bay,
    Checkpoint,
    Installation,
    Instrument,
    InstrumentCalibration,
    Membership,
    Numbering,
    Operator,
    OutboxKey,
    ServiceEvent,
    Specification,
    Tenure,
    User,
    Vehicle,
    VehicleModel,
)
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site, new_vin


class Going:
    """Makes rows of one site without the services; every default is right."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.workshop = site.workshop
        self.vehicle = site.vehicle()
        self.instrument = site.instrument()
        self.now = site.began_at

    def operator(self, **changes: Any) -> Operator:
        return Operator.objects.create(**{"name": "O", "email": "o@example.com", "created_at": self.now, **changes})

    def bay(self, **changes: Any) -> Bay:
        values = {"name": "B", "surveyed_on": date(2026, 1, 1), "pad_levels_mm": {}, "created_at": self.now}
        return Bay.objects.create(**{**values, **changes})

    def tape(self, **changes: Any) -> Instrument:
        values = {"serial": "S", "kind": "tape", "resolution_mm": 1, "length_mm": 3000, "created_at": self.now}
        return Instrument.objects.create(**{**values, **changes})

    def calibration(self, **changes: Any) -> InstrumentCalibration:
        values = {
            "instrument": self.instrument,
            "calibrated_on": date(2026, 1, 1),
            "due_on": date(2027, 1, 1),
            "recorded_at": self.now,
        }
        return InstrumentCalibration.objects.create(**{**values, **changes})

    def model(self, **changes: Any) -> VehicleModel:
        values = {"make": "Brae", "name": "M", "year_from": 2020, "created_at": self.now}
        return VehicleModel.objects.create(**{**values, **changes})

    def specification(self, **changes: Any) -> Specification:
        values = {
            "vehicle_model_id": self.vehicle.vehicle_model_id,
            "revision": 7,
            "effective_from": date(2026, 1, 1),
            "source_kind": "manufacturer",
            "source": "manual",
            "content": {},
            "true_vehicles_passing": 1,
            "recorded_at": self.now,
        }
        return Specification.objects.create(**{**values, **changes})

    def car(self, **changes: Any) -> Vehicle:
        values = {
            "vin": new_vin(),
            "vehicle_model_id": self.vehicle.vehicle_model_id,
            "operator_id": self.vehicle.operator_id,
            "created_at": self.now,
        }
        return Vehicle.objects.create(**{**values, **changes})

    def tenure(self, **changes: Any) -> Tenure:
        values = {
            "vehicle": self.vehicle,
            "operator_id": self.vehicle.operator_id,
            "began_at": self.now,
            "ended_at": self.now + timedelta(days=1),
        }
        return Tenure.objects.create(**{**values, **changes})

    def event(self, **changes: Any) -> ServiceEvent:
        values = {"vehicle": self.vehicle, "kind": "other", "happened_at": self.now, "recorded_at": self.now}
        return ServiceEvent.objects.create(**{**values, **changes})

    def member(self, **changes: Any) -> Membership:
        user = User.objects.create_user(f"{new_id().hex}@example.com")
        values = {"user": user, "name": "N", "roles": ["technician"], "created_at": self.now}
        return Membership.objects.create(**{**values, **changes})

    def token(self, **changes: Any) -> AccessToken:
        values = {
            "membership": self.site.technician.membership,
            "device": "d",
            "digest": new_id().bytes,
            "created_at": self.now,
        }
        return AccessToken.objects.create(**{**values, **changes})

    def numbering(self, **changes: Any) -> Numbering:
        return Numbering.objects.create(**{"series": "job", **changes})

    def outbox_key(self, **changes: Any) -> OutboxKey:
        values = {"key_id": b"8 bytes.", "public_key": b"", "sealed_private_key": "", "created_at": self.now}
        return OutboxKey.objects.create(**{**values, **changes})

    def checkpoint(self, **changes: Any) -> Checkpoint:
        values = {"size": 7, "root": "0" * 64, "made_at": self.now, "note": ""}
        return Checkpoint.objects.create(**{**values, **changes})

    def user(self, **changes: Any) -> User:
        return User.objects.create(**{"email": "kim@example.com", **changes})

    def installation(self, **changes: Any) -> Installation:
        Installation.objects.filter(pk=1).update(**changes)
        return Installation.objects.get()


VIOLATIONS: dict[str, tuple[str, dict[str, Any]]] = {
    "fleet_instrument_positive": ("tape", {"resolution_mm": 0}),
    "fleet_calibration_due_after": ("calibration", {"due_on": date(2026, 1, 1)}),
    "fleet_calibration_uncertainty_whole": ("calibration", {"expanded_uncertainty_mm": 1}),
    "fleet_vehiclemodel_years_in_order": ("model", {"year_to": 2019}),
    "fleet_specification_source_stated": ("specification", {"source": ""}),
    "fleet_vehicle_vin_form": ("car", {"vin": "0LBWAGNX0RA00000O"}),
    "fleet_event_known_corner": ("event", {"corner": "XX"}),
    "fleet_membership_known_roles": ("member", {"roles": ["chief"]}),
    "fleet_membership_contact_has_operator": ("member", {"roles": ["operator_contact"]}),
    "fleet_membership_integrator_alone": ("member", {"roles": ["integrator", "manager"]}),
    "fleet_accesstoken_bound_by_kind": ("token", {"kind": "tablet"}),
    "fleet_checkpoint_of_leaves": ("checkpoint", {"size": 0}),
    "fleet_installation_one_row": ("installation", {"id": 2}),
}
REPETITIONS: dict[str, str] = {
    "fleet_instrument_serial": "tape",
    "fleet_bay_name": "bay",
    "fleet_operator_name": "operator",
    "fleet_vehiclemodel_name_and_year": "model",
    "fleet_specification_revision": "specification",
    "fleet_numbering_series": "numbering",
    "fleet_outboxkey_one_of_an_id": "outbox_key",
    "fleet_checkpoint_size": "checkpoint",
}


@pytest.fixture
def going(site: Site) -> Going:
    return Going(site)


def refusal_of(going: Going, maker: str, changes: dict[str, Any]) -> IntegrityError:
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        getattr(going, maker)(**changes)
    return refusal.value


def name_of(refusal: IntegrityError) -> str:
    return str(refusal.__cause__.diag.constraint_name)  # type: ignore[union-attr]


def assert_told_to_people(refusal: IntegrityError) -> None:
    problem = problem_for_exception(refusal)
    assert problem is not None
    assert problem.status in (409, 422)
    assert name_of(refusal) not in str(problem.detail)
    assert "contradicts other records" not in str(problem.detail)


@pytest.mark.parametrize("name", VIOLATIONS)
def test_a_row_that_breaks_a_rule_is_refused(going: Going, name: str) -> None:
    maker, changes = VIOLATIONS[name]
    with in_workshop(going.workshop.pk):
        refusal = refusal_of(going, maker, changes)
        assert name_of(refusal) == name
        assert_told_to_people(refusal)
        getattr(going, maker)()


@pytest.mark.parametrize("name", REPETITIONS)
def test_a_second_row_of_the_same_name_is_refused(going: Going, name: str) -> None:
    with in_workshop(going.workshop.pk):
        getattr(going, REPETITIONS[name])()
        refusal = refusal_of(going, REPETITIONS[name], {})
    assert name_of(refusal) == name
    assert_told_to_people(refusal)


def test_a_second_vehicle_of_one_vin_is_refused(going: Going) -> None:
    with in_workshop(going.workshop.pk):
        refusal = refusal_of(going, "car", {"vin": going.vehicle.vin})
        assert name_of(refusal) == "fleet_vehicle_vin"
        going.car(vin=new_vin())


def test_two_operators_at_once_are_refused(going: Going) -> None:
    with in_workshop(going.workshop.pk):
        going.tenure()
        assert name_of(refusal_of(going, "tenure", {"ended_at": None})) == "fleet_tenure_one_current"


def test_one_person_is_one_member(going: Going) -> None:
    with in_workshop(going.workshop.pk):
        member = going.member()
        refusal = refusal_of(going, "member", {"user": member.user})
    assert name_of(refusal) == "fleet_membership_one_per_person"


def test_one_address_is_one_account_in_any_case(going: Going) -> None:
    going.user()
    assert name_of(refusal_of(going, "user", {"email": "Kim@Example.com"})) == "fleet_user_email_any_case"
    assert name_of(refusal_of(going, "user", {})) in ("fleet_user_email_key", "fleet_user_email_any_case")


@pytest.mark.parametrize(
    ("sequence", "name"),
    [(0, "fleet_ledgerentry_sequence_from_one"), (1, "fleet_ledgerentry_book_sequence")],
)
def test_the_ledgers_constraints_stand_behind_its_trigger(
    committed_db: None, database_environment: dict[str, str], sequence: int, name: str
) -> None:
    site = make_site()
    again = (
        "INSERT INTO fleet_ledgerentry SELECT (jsonb_populate_record(e, jsonb_build_object("
        "'id', gen_random_uuid(), 'sequence', %s::int))).* FROM fleet_ledgerentry e WHERE sequence = 1"
    )
    with psycopg.connect(database_environment["DATABASE_OWNER_URL"]) as owner:
        owner.execute("SELECT set_config('app.workshop', %s, false)", [str(site.workshop.pk)])
        with owner.transaction(force_rollback=True):
            owner.execute("ALTER TABLE fleet_ledgerentry DISABLE TRIGGER check_chain")
            with pytest.raises(psycopg.IntegrityError) as refusal:
                owner.execute(again, [sequence])
    assert refusal.value.diag.constraint_name == name


def test_one_place_of_the_tree_is_one_leafs_behind_its_trigger(
    committed_db: None, database_environment: dict[str, str]
) -> None:
    site = make_site()
    leaf = "INSERT INTO fleet_ledgerleaf SELECT id, 0, '', workshop_id FROM fleet_ledgerentry ORDER BY id LIMIT 2"
    with psycopg.connect(database_environment["DATABASE_OWNER_URL"]) as owner:
        owner.execute("SELECT set_config('app.workshop', %s, false)", [str(site.workshop.pk)])
        with owner.transaction(force_rollback=True):
            owner.execute("ALTER TABLE fleet_ledgerleaf DISABLE TRIGGER check_leaf")
            with pytest.raises(psycopg.IntegrityError) as refusal:
                owner.execute(leaf)
    assert refusal.value.diag.constraint_name == "fleet_ledgerleaf_index"


def test_every_named_constraint_of_fleet_is_tested_here() -> None:
    tested = {
        *VIOLATIONS,
        *REPETITIONS,
        "fleet_vehicle_vin",
        "fleet_tenure_one_current",
        "fleet_membership_one_per_person",
        "fleet_user_email_any_case",
        "fleet_ledgerentry_book_sequence",
        "fleet_ledgerentry_sequence_from_one",
        "fleet_ledgerleaf_index",
        *("fleet_headconflict_once", "fleet_headconflict_explained"),  # tests/fleet/test_heads_on_tablets.py
    }
    declared = {c.name for model in apps.get_app_config("fleet").get_models() for c in model._meta.constraints}
    assert declared == tested


def test_every_constraint_of_fleet_speaks_to_people() -> None:
    silent = [
        constraint.name
        for model in apps.get_app_config("fleet").get_models()
        for constraint in model._meta.constraints
        if constraint.violation_error_message == models.BaseConstraint.default_violation_error_message
    ]
    assert silent == []

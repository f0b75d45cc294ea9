"""No workshop sees or touches another's rows, even where nothing but the database stands in between."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
import pytest
from django.apps import apps
from django.db import DataError, IntegrityError, ProgrammingError, connection, models, transaction

from fleet.ids import new_id
from fleet.models import Bay, InstrumentCalibration, Vehicle
from fleet.tenancy import NoWorkshopError, in_workshop
from tests.factories import Site

TENANT_TABLES_SQL = """
    SELECT c.relname FROM pg_class c
    JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'workshop_id' AND NOT a.attisdropped
    WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') ORDER BY 1
"""
FAULTS_SQL = """
    SELECT c.relname, 'row-level security is not enabled and forced' FROM pg_class c
    WHERE c.oid = %(table)s::regclass AND NOT (c.relrowsecurity AND c.relforcerowsecurity)
    UNION ALL
    SELECT c.relname, 'no policy binds every command to the own workshop' FROM pg_class c
    WHERE c.oid = %(table)s::regclass AND NOT EXISTS (
        SELECT FROM pg_policy p WHERE p.polrelid = c.oid AND p.polcmd = '*' AND p.polroles = '{0}'
        AND pg_get_expr(p.polqual, c.oid) LIKE '%%app.workshop%%'
        AND pg_get_expr(p.polwithcheck, c.oid) LIKE '%%app.workshop%%')
    UNION ALL
    SELECT c.relname, 'a policy lets the application role see more: ' || p.polname
    FROM pg_class c JOIN pg_policy p ON p.polrelid = c.oid
    WHERE c.oid = %(table)s::regclass AND p.polname <> 'own_workshop'
      AND ('levelbook_app'::regrole = ANY (p.polroles) OR p.polroles = '{0}')
    UNION ALL
    SELECT c.relname, 'no UNIQUE (workshop_id, id)' FROM pg_class c
    WHERE c.oid = %(table)s::regclass AND NOT EXISTS (
        SELECT FROM pg_constraint k WHERE k.conrelid = c.oid AND k.contype = 'u'
        AND (SELECT array_agg(a.attname::text ORDER BY o) FROM unnest(k.conkey) WITH ORDINALITY x(n, o)
             JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = x.n) = ARRAY['workshop_id', 'id'])
    UNION ALL
    SELECT c.relname, 'a foreign key to a tenant table without the workshop: ' || k.conname
    FROM pg_class c JOIN pg_constraint k ON k.conrelid = c.oid AND k.contype = 'f'
    JOIN pg_attribute w ON w.attrelid = k.confrelid AND w.attname = 'workshop_id'
    WHERE c.oid = %(table)s::regclass
      AND NOT (SELECT a.attnum FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attname = 'workshop_id')
          = ANY (k.conkey)
"""


def rows(sql: str, parameters: Any = None) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return list(cursor.fetchall())


def leave_every_workshop() -> None:
    """As on a pooled connection after a transaction: the setting is there, and empty."""
    rows("SELECT set_config('app.workshop', '', true)")


def tenant_tables() -> list[str]:
    return [name for (name,) in rows(TENANT_TABLES_SQL)]


def faults_of(table: str) -> list[str]:
    return [fault for _table, fault in rows(FAULTS_SQL, {"table": f'public."{table}"'})]


def missing_composite_keys(model: type[models.Model]) -> list[str]:
    """Foreign keys of Django to tenant tables that the database does not keep within the workshop."""
    found = rows(
        "SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = %s::regclass AND contype = 'f'",
        [f'public."{model._meta.db_table}"'],
    )
    return [
        field.column
        for field in model._meta.local_fields
        if isinstance(field, models.ForeignKey)
        and field.name != "workshop"
        and any(f.name == "workshop" for f in field.remote_field.model._meta.local_fields)
        and not any(f"(workshop_id, {field.column})" in definition for (definition,) in found)
    ]


@contextmanager
def as_owner(environment: dict[str, str]) -> Iterator[psycopg.Connection]:
    """The owner's connection; whatever is done is rolled back."""
    with psycopg.connect(environment["DATABASE_OWNER_URL"]) as owner, owner.transaction(force_rollback=True):
        yield owner


@pytest.mark.django_db
def test_every_tenant_table_is_secured() -> None:
    tables = tenant_tables()
    assert "fleet_vehicle" in tables
    assert {table: faults for table in tables if (faults := faults_of(table))} == {}


@pytest.mark.django_db
def test_every_tenant_model_has_its_composite_keys() -> None:
    tenants = [m for m in apps.get_models() if any(f.name == "workshop" for f in m._meta.local_fields)]
    assert len(tenants) == len(tenant_tables())
    assert {m._meta.label: missing for m in tenants if (missing := missing_composite_keys(m))} == {}


def test_the_same_check_finds_a_table_made_without(database_environment: dict[str, str]) -> None:
    """Negative control: the check above would see a forgotten table."""
    with as_owner(database_environment) as owner:
        owner.execute(
            "CREATE TABLE fleet_forgotten (id uuid PRIMARY KEY, workshop_id uuid NOT NULL, "
            "vehicle_id uuid REFERENCES fleet_vehicle (id))"
        )
        tables = [name for (name,) in owner.execute(TENANT_TABLES_SQL)]
        found = owner.execute(FAULTS_SQL, {"table": "public.fleet_forgotten"}).fetchall()
    assert "fleet_forgotten" in tables
    assert len(found) == 4, found


def test_raw_sql_sees_the_own_workshop_only(site: Site, other_site: Site) -> None:
    mine, theirs = site.vehicle(), other_site.vehicle()
    for workshop, expected in ((site.workshop, mine), (other_site.workshop, theirs)):
        with in_workshop(workshop.pk):
            assert rows("SELECT id FROM fleet_vehicle") == [(expected.pk,)]
            assert rows("SELECT id FROM fleet_workshop") == [(workshop.pk,)]


def test_without_a_workshop_nothing_is_seen(site: Site) -> None:
    site.vehicle()
    leave_every_workshop()
    for table in [*tenant_tables(), "fleet_workshop"]:
        assert rows(f'SELECT count(*) FROM "{table}"') == [(0,)], table  # noqa: S608


def test_rows_of_another_workshop_cannot_be_changed_or_removed(site: Site, other_site: Site) -> None:
    theirs = other_site.vehicle()
    with in_workshop(site.workshop.pk), connection.cursor() as cursor:
        cursor.execute("UPDATE fleet_vehicle SET registration = 'X'")
        assert cursor.rowcount == 0
        cursor.execute("DELETE FROM fleet_vehicle")
        assert cursor.rowcount == 0
    with in_workshop(other_site.workshop.pk):
        assert Vehicle.objects.get().registration == theirs.registration


INSERT_BAY = (
    "INSERT INTO fleet_bay (id, workshop_id, version, name, surveyed_on, pad_levels_mm, created_at) "
    "VALUES (%s, %s, 1, 'B', now(), '{}', now()) RETURNING 1"
)


def test_a_row_for_another_workshop_is_refused(site: Site, other_site: Site) -> None:
    mine = site.bay()
    with in_workshop(site.workshop.pk):
        assert rows(INSERT_BAY, [new_id(), site.workshop.pk]) == [(1,)]
        with pytest.raises(ProgrammingError, match="row-level security"), transaction.atomic():
            rows(INSERT_BAY, [new_id(), other_site.workshop.pk])
        with pytest.raises(ProgrammingError, match="row-level security"), transaction.atomic():
            Bay.objects.filter(pk=mine.pk).update(workshop_id=other_site.workshop.pk)


def test_without_a_workshop_no_row_is_taken(site: Site) -> None:
    leave_every_workshop()
    with pytest.raises(ProgrammingError, match="row-level security"), transaction.atomic():
        rows(INSERT_BAY, [new_id(), site.workshop.pk])


def test_a_reference_into_another_workshop_is_refused(site: Site, other_site: Site) -> None:
    """The composite key holds where a plain foreign key would not: its check sees every row."""
    theirs = other_site.instrument()
    mine = site.instrument()
    values = {
        "calibrated_on": "2026-01-01",
        "due_on": "2027-01-01",
        "recorded_at": site.began_at,
        "workshop_id": site.workshop.pk,
    }
    with in_workshop(site.workshop.pk):
        InstrumentCalibration.objects.create(instrument_id=mine.pk, **values)
        with pytest.raises(IntegrityError, match="instrument_id_same_workshop"), transaction.atomic():
            InstrumentCalibration.objects.create(instrument_id=theirs.pk, **values)


def test_a_tenant_row_outside_a_workshop_is_a_programming_error() -> None:
    with pytest.raises(NoWorkshopError, match="in_workshop"):
        Bay()


def test_a_transaction_stays_in_its_workshop(site: Site, other_site: Site) -> None:
    with in_workshop(site.workshop.pk), in_workshop(site.workshop.pk):
        assert Vehicle.objects.count() == 0
    with in_workshop(site.workshop.pk), pytest.raises(NoWorkshopError), in_workshop(other_site.workshop.pk):
        pass


def test_a_setting_that_is_no_workshop_shows_nothing(site: Site) -> None:
    site.vehicle()
    rows("SELECT set_config('app.workshop', 'all', true)")
    with pytest.raises(DataError), transaction.atomic():
        rows("SELECT * FROM fleet_vehicle")


@pytest.mark.django_db
def test_the_application_role_is_a_plain_one() -> None:
    found = rows(
        "SELECT current_user::text, rolsuper, rolbypassrls, rolcreaterole, rolcreatedb FROM pg_roles "
        "WHERE rolname = current_user"
    )
    assert found == [("levelbook_app", False, False, False, False)]
    assert rows("SELECT tablename FROM pg_tables WHERE schemaname = 'public' AND tableowner = current_user") == []


DEFINERS = {
    "levelbook_credential",
    "levelbook_memberships",
    "levelbook_due_work",
    "levelbook_verification",
    "levelbook_clear_refused_sign_ins",
}
"""The only ways past the workshop, and the one that clears old failed attempts, which belong to none."""


@pytest.mark.django_db
def test_exactly_the_listed_functions_run_with_other_rights() -> None:
    found = rows(
        "SELECT p.proname, r.rolname, p.proconfig, has_function_privilege('public', p.oid, 'EXECUTE'), "
        "has_function_privilege('levelbook_app', p.oid, 'EXECUTE') "
        "FROM pg_proc p JOIN pg_roles r ON r.oid = p.proowner "
        "JOIN pg_namespace n ON n.oid = p.pronamespace "
        "WHERE p.prosecdef AND n.nspname NOT IN ('pg_catalog', 'information_schema')"
    )
    names = {name for name, *_rest in found}
    assert names == DEFINERS
    for name, owner, configuration, public_may, application_may in found:
        assert owner == "levelbook_gate", name
        assert configuration == ["search_path=pg_catalog, pg_temp"], name
        assert (public_may, application_may) == (False, True), name


@pytest.mark.django_db
def test_the_gates_owner_cannot_sign_in_and_owns_no_table() -> None:
    assert rows("SELECT rolcanlogin, rolsuper, rolbypassrls FROM pg_roles WHERE rolname = 'levelbook_gate'") == [
        (False, False, False)
    ]
    assert rows("SELECT tablename FROM pg_tables WHERE tableowner = 'levelbook_gate'") == []


def test_a_gate_tells_nothing_but_ids(site: Site) -> None:
    """Whoever guesses gets no row; whoever knows gets three ids."""
    leave_every_workshop()
    assert rows("SELECT * FROM levelbook_credential('token', %s)", [b"guess"]) == []
    assert rows("SELECT * FROM levelbook_memberships(%s)", [uuid.uuid4()]) == []
    (found,) = rows("SELECT * FROM levelbook_memberships(%s)", [site.manager.membership.user_id])
    assert found == (site.workshop.pk, site.manager.membership.pk, site.workshop.name)


@pytest.mark.parametrize("is_made_by_the_client", [True, False])
def test_an_id_of_another_workshop_is_refused_as_ones_own_would_be_and_tells_nothing_of_its_record(
    site: Site, other_site: Site, is_made_by_the_client: bool
) -> None:
    """Ids are keys of the whole database, so that one is taken cannot be hidden; what it is of can."""
    survey = {"surveyed_on": "2026-03-02", "pad_levels_mm": dict.fromkeys(("FL", "FR", "RL", "RR"), 0)}

    def made(site: Site, name: str) -> str:
        chosen = {"id": str(new_id())} if is_made_by_the_client else {}
        response = site.manager.client().post("/api/v1/bays/", {"name": name, **survey, **chosen})
        return str(response.json()["id"])

    def refused(record_id: str) -> str:
        response = site.manager.client().post("/api/v1/bays/", {"name": "New bay", **survey, "id": record_id})
        assert response.status_code == 409
        return str(response.content, "utf-8").replace(record_id, "…")

    told = refused(made(other_site, "Their bay"))
    assert told == refused(made(site, "Own bay"))
    theirs = ("Their bay", other_site.workshop.name, str(other_site.workshop.pk))
    assert [each for each in theirs if each in told] == []

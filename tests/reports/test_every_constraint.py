"""Every constraint of the tables of webhooks, e-mails, exports, archives and imports, as the database's catalogue names
them: each is broken by plain SQL and refuses; without it, the same statement goes through."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import psycopg
import pytest
from django.apps import apps
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations import CreateModel
from django.utils import timezone
from psycopg import sql

from deploy import database
from deploy.embedded.folder import data_folder
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports import models
from tests.factories import Site, make_site

FIRST_TABLES: Final = ("0001_initial", "0002_secure")
"""Migrations whose tables have tests of their own."""
CATALOGUE: Final = """
    SELECT conrelid::regclass::text, conname::text, contype::text, pg_get_constraintdef(oid)
    FROM pg_constraint WHERE conrelid = ANY(%(tables)s::text[]::regclass[]) AND contype IN ('c', 'u', 'p', 'f')
    UNION ALL
    SELECT indrelid::regclass::text, indexrelid::regclass::text, 'i', pg_get_indexdef(indexrelid)
    FROM pg_index WHERE indrelid = ANY(%(tables)s::text[]::regclass[]) AND indisunique
        AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid AND contype IN ('u', 'p'))
    ORDER BY 1, 2
"""
NOT_NEGATIVE: Final = re.compile(r"CHECK \(\(+\"?(\w+)\"? >= 0\)+")
OWN_COLUMN: Final = re.compile(r"FOREIGN KEY \((?:workshop_id, )?(\w+)\)")
BREAKS: Final = {
    "reports_webhook_has_events": "events = '{}'",
    "reports_webhook_gone_is_not_active": "is_gone = true, state = 'active'",
    "reports_webhookdelivery_finished_with_time": "state = 'delivered', finished_at = NULL",
    "reports_webhookattempt_status_of_answer": "outcome = 'answered', status = NULL",
    "reports_declinednotice_of_one": "membership_id = NULL, operator_id = NULL",
    "reports_reminder_of_one": "vehicle_id = NULL, instrument_id = NULL",
    "reports_export_made_whole": "size = 1",
    "reports_export_cleared_after_made": "cleared_at = now()",
    "reports_archiveintake_hash": "sha256 = repeat('G', 64)",
    "reports_archiveintake_finished_with_time": "finished_at = now()",
    "reports_import_rows_counted": "accepted = rows + 1",
    "reports_import_known_accepted": "known = accepted + 1",
    "reports_import_finished_has_time": "finished_at = now()",
}
"""What breaks each condition that is not just that a number is negative."""


@dataclass(frozen=True)
class Constraint:
    table: str
    name: str
    kind: str
    definition: str

    def broken(self) -> sql.Composed:
        """A statement that breaks it with the one row that its table has, whatever else the row then is."""
        table = sql.Identifier(self.table)
        if self.kind in ("u", "p", "i"):
            return sql.SQL("INSERT INTO {table} SELECT * FROM {table}").format(table=table)
        if self.kind == "f":
            (column,) = OWN_COLUMN.findall(self.definition)
            change: Any = sql.SQL("{} = gen_random_uuid()").format(sql.Identifier(column))
        else:
            negative = NOT_NEGATIVE.match(self.definition)
            change = sql.SQL(f"{negative[1]} = -1" if negative else BREAKS[self.name])
        return sql.SQL("UPDATE {} SET {}").format(table, change)

    def dropped(self) -> sql.Composed:
        name = sql.Identifier(self.name)
        if self.kind == "i":
            return sql.SQL("DROP INDEX {}").format(name)
        return sql.SQL("ALTER TABLE {} DROP CONSTRAINT IF EXISTS {} CASCADE").format(sql.Identifier(self.table), name)


def tables() -> list[str]:
    loaded = MigrationLoader(None, ignore_no_migrations=True).disk_migrations or {}
    later = [migration for (app, name), migration in loaded.items() if app == "reports" and name not in FIRST_TABLES]
    made = [each.name for migration in later for each in migration.operations if isinstance(each, CreateModel)]
    return sorted(apps.get_model("reports", name)._meta.db_table for name in made)


@pytest.fixture
def superuser(committed_db: None) -> Iterator[psycopg.Connection]:
    """Nothing but constraints is in its way; whatever it does is taken back."""
    name = str(connection.settings_dict["NAME"])
    parameters: dict[str, Any] = database.connection_parameters("admin", data_folder()) | {"dbname": name}
    with psycopg.connect(**parameters) as session:
        yield session
        session.rollback()


def constraints(session: psycopg.Connection) -> list[Constraint]:
    return [Constraint(*row) for row in session.execute(CATALOGUE, {"tables": tables()})]


def a_row_of_each(site: Site) -> None:
    """One row in every table, which every condition and every partial index is about."""
    now, member, vehicle = timezone.now(), site.manager.membership, site.vehicle()
    with in_workshop(site.workshop.pk):
        hook = models.Webhook.objects.create(url="https://hooks.example.com/", events=["job.ended"], created_at=now)
        models.WebhookSecret.objects.create(webhook=hook, sealed="x", created_at=now)
        delivery = models.WebhookDelivery.objects.create(
            webhook=hook, message_id="msg_1", event="job.ended", body="{}", created_at=now
        )
        models.WebhookAttempt.objects.create(delivery=delivery, made_at=now, outcome="answered", status=200)
        models.DeclinedNotice.objects.create(kind="alerts", declined_at=now, membership=member)
        models.Reminder.objects.create(
            stage="due", done_on=now.date(), due_on=now.date(), due_at_km=1, noted_at=now, vehicle=vehicle
        )
        models.Export.objects.create(requested_at=now, requested_by=member)
        models.ArchiveIntake.objects.create(handed_in_at=now, sha256="a" * 64, size=1, handed_in_by=member)
        file = models.ImportFile.objects.create(
            name="checks.csv", format="csv", size=1, lines=1, sha256="a" * 64, handed_in_by=member, handed_in_at=now
        )
        models.ImportFilePart.objects.create(file=file, of_rows=False, number=0, content=b"x")
        run = models.Import.objects.create(
            id=new_id(),
            file=file,
            file_sha256="a" * 64,
            kind="checks",
            language="en",
            dry_run=False,
            atomic=False,
            phase="recording",
            started_by=member,
            created_at=now,
        )
        models.RowProblem.objects.create(of_import=run, line=1, ordinal=0, code="c", detail="d")
        models.SeenRow.objects.create(of_import=run, key="k", fingerprint="f")
        models.ImportedVehicle.objects.create(of_import=run, vehicle=vehicle)


def left_alone_with(session: psycopg.Connection, one: Constraint, every: list[Constraint], workshop: Any) -> None:
    """Its table has that one constraint and one row."""
    session.execute("SET CONSTRAINTS ALL IMMEDIATE")
    for other in every:
        if other.table == one.table and other != one and other.kind != "i":
            session.execute(other.dropped())
    for other in every:
        if other.table == one.table and other != one and other.kind == "i":
            session.execute(other.dropped())
    table = sql.Identifier(one.table)
    session.execute(sql.SQL("ALTER TABLE {} DISABLE TRIGGER USER").format(table))
    session.execute("SET LOCAL session_replication_role = replica")  # rows of other workshops may be referred to
    session.execute(sql.SQL("DELETE FROM {} WHERE workshop_id <> %s").format(table), [workshop])
    session.execute("SET LOCAL session_replication_role = origin")
    count = session.execute(sql.SQL("SELECT count(*) FROM {}").format(table)).fetchone()
    assert count == (1,), f"one row of {one.table}"


def test_each_constraint_refuses_what_breaks_it_and_nothing_else_does(superuser: psycopg.Connection) -> None:
    site = make_site()
    a_row_of_each(site)
    every = constraints(superuser)
    superuser.rollback()
    for one in every:
        left_alone_with(superuser, one, every, site.workshop.pk)
        with pytest.raises(psycopg.IntegrityError) as refusal, superuser.transaction():
            superuser.execute(one.broken())
        assert refusal.value.diag.constraint_name == one.name
        superuser.execute(one.dropped())
        superuser.execute(one.broken())
        superuser.rollback()


def test_every_condition_is_among_them_and_none_that_there_is_not(superuser: psycopg.Connection) -> None:
    conditions = {each.name for each in constraints(superuser) if each.kind == "c"}
    negative = {
        each.name for each in constraints(superuser) if each.kind == "c" and NOT_NEGATIVE.match(each.definition)
    }
    assert conditions - negative == set(BREAKS)


def test_every_named_constraint_of_the_models_is_in_the_catalogue(superuser: psycopg.Connection) -> None:
    names = {each.name for each in constraints(superuser)}
    declared = {
        constraint.name
        for model in apps.get_app_config("reports").get_models()
        if model._meta.db_table in tables()
        for constraint in model._meta.constraints
    }
    assert len(declared) > 15
    assert declared <= names

"""What the real database refuses is told in sentences for people."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import psycopg
import pytest
from django.db import (
    DatabaseError,
    IntegrityError,
    connection,
    models,
    transaction,
)
from django.test import Client
from django.test.utils import isolate_apps
from django.utils.translation import gettext_lazy as _

from fleet import errors
from fleet.api.problems import problem_for_exception

if TYPE_CHECKING:
    pass

from .refusing_service import problem, raised

with isolate_apps("tests"):

    class Bench(models.Model):
        name = models.TextField()

        class Meta:
            app_label = "tests"
            constraints = (
                models.UniqueConstraint(fields=["name"], name="bench_name"),
                models.CheckConstraint(
                    condition=models.Q(name__gt=""),
                    name="bench_named",
                    violation_error_message="A bench needs a name.",
                ),
            )


@pytest.fixture
def refused_by_database(db: None) -> Any:
    """Runs a statement that the database refuses and gives Django's exception."""

    def run(statement: str, parameters: list[Any] | None = None) -> Exception:
        with (
            pytest.raises((DatabaseError, UnicodeError)) as caught,
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement, parameters)
        return caught.value

    return run


@pytest.fixture
def known_model(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.api.problems.apps.get_models", lambda: [Bench])


def violation(kind: type[psycopg.Error], name: str | None) -> IntegrityError:
    """As psycopg reports it, but without a server that would fill in the diagnostics."""

    class Violation(kind):  # type: ignore[valid-type, misc]
        diag = SimpleNamespace(constraint_name=name)

    exception = IntegrityError("refused")
    exception.__cause__ = Violation("refused")
    return exception


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(errors, "_constraint_messages", {})
    errors.register_constraint_messages(
        {
            "one_open_job": _("This vehicle has an open job."),
            "bench_same_workshop": "There is no such bench here.",
        }
    )


CASES = [
    (psycopg.errors.UniqueViolation, "one_open_job", 409, "This vehicle has an open job."),
    (psycopg.errors.ForeignKeyViolation, "bench_same_workshop", 409, "There is no such bench here."),
    (psycopg.errors.ExclusionViolation, "one_open_job", 409, "This vehicle has an open job."),
    (psycopg.errors.CheckViolation, "bench_named", 422, "A bench needs a name."),
    (
        psycopg.errors.UniqueViolation,
        "bench_name",
        409,
        "This contradicts other records. Nothing was stored.",
    ),
    (
        psycopg.errors.CheckViolation,
        "never_heard_of",
        409,
        "This contradicts other records. Nothing was stored.",
    ),
    (psycopg.errors.NotNullViolation, None, 409, "This contradicts other records. Nothing was stored."),
]


@pytest.mark.parametrize(("kind", "name", "status", "detail"), CASES)
def test_a_broken_constraint_is_told_in_its_human_message(
    client: Client, registry: None, known_model: None, kind: Any, name: str | None, status: int, detail: str
) -> None:
    body = problem(raised(client, violation(kind, name)), status)
    assert body["detail"] == detail


def test_the_database_names_its_constraint_where_we_look_for_it(refused_by_database: Any, registry: None) -> None:
    statement = "DO $$ BEGIN RAISE unique_violation USING CONSTRAINT = 'one_open_job'; END $$"
    found = problem_for_exception(refused_by_database(statement))
    assert found is not None
    assert (found.status, str(found.detail)) == (409, "This vehicle has an open job.")


@pytest.mark.parametrize(
    ("statement", "parameters", "status"),
    [
        ("SELECT %s::text", ["a\0b"], 422),
        ("SELECT %s::text", ["\ud800"], 400),
        ("SELECT %s::integer", [2**40], 422),
        ("SELECT 1 / %s", [0], 422),
        ("SELECT %s::numeric(8, 3)", [10**9], 422),
        ("SELECT %s::uuid", ["no uuid"], 422),
        ("SELECT %s::timestamptz", ["99999999-01-01"], 422),
        ("SET LOCAL statement_timeout = 1; SELECT pg_sleep(1)", None, 503),
    ],
)
def test_what_the_database_cannot_take_has_a_clear_status(
    refused_by_database: Any, statement: str, parameters: list[Any] | None, status: int
) -> None:
    found = problem_for_exception(refused_by_database(statement, parameters))
    assert found is not None
    assert found.status == status


def test_a_programming_error_in_sql_is_ours_and_not_the_clients(refused_by_database: Any) -> None:
    assert problem_for_exception(refused_by_database("SELECT nothing FROM nowhere")) is None

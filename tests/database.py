"""Test databases: migrated by the owner as in production, used by the application role.

Migrating takes seconds, copying a template a tenth of one. So the first test process after a change of the
migrations makes a template, and every process copies it.
"""

import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
from django.db import connection, connections
from psycopg import sql
from psycopg.conninfo import make_conninfo

from deploy import database
from deploy.embedded.folder import CHECKOUT, DataFolder
from deploy.embedded.postgres import GRANT_SQL

MIGRATION_SOURCES = (
    "*/migrations/*.py",
    "*/migrations/*.sql",
    "fleet/tenancy/*.py",
    "deploy/*.sql",
    "deploy/*.lock",
)
TEMPLATE_PREFIX, TEST_PREFIX = "levelbook_template_", "levelbook_test_"
# Any number does; it serialises test processes that make, copy or drop databases.
ADVISORY_LOCK = 8_855_318
VACUUM_PATIENCE_S = 60.0


@contextmanager
def copied_database(data: DataFolder, suffix: str, of: str | None = None) -> Iterator[str]:
    """Give the name of a fresh, migrated database, or of a copy of one that nobody is connected to; it is dropped
    at the end."""
    name = f"{TEST_PREFIX}{os.getpid()}_{suffix}"
    with _locked_server(data) as server:
        _drop_abandoned(server)
        if name in _databases(server, name):  # of a killed test process that had the number of this one
            _drop(server, name)
        _create(server, name, template=of or _template(server, data))
    with _owner_connection(data, name) as connection:
        connection.execute(GRANT_SQL.read_bytes())
    try:
        yield name
    finally:
        with _locked_server(data) as server:
            _drop(server, name)


@contextmanager
def connected_to(name: str) -> Iterator[None]:
    """Meanwhile this process works on the database of that name."""
    usual = connection.settings_dict["NAME"]
    connections.close_all()
    connection.settings_dict["NAME"] = name
    try:
        yield
    finally:
        connections.close_all()
        connection.settings_dict["NAME"] = usual


def database_environment(data: DataFolder, name: str) -> dict[str, str]:
    """Return the environment variables that point a subprocess at this database."""
    roles: tuple[database.Role, ...] = ("app", "owner")
    return {database.URL_VARIABLES[role]: make_conninfo(**_parameters(role, data, name)) for role in roles}


def _template(server: psycopg.Connection, data: DataFolder) -> str:
    template = TEMPLATE_PREFIX + migrations_hash()
    found = _databases(server, TEMPLATE_PREFIX)
    for outdated in found - {template}:
        _drop(server, outdated)
    if template not in found:
        _make_template(server, data, template)
    return template


def _make_template(server: psycopg.Connection, data: DataFolder, template: str) -> None:
    unfinished = f"{TEMPLATE_PREFIX}unfinished"
    _create(server, unfinished, template="template0")
    with _owner_connection(data, unfinished) as connection:
        connection.execute(GRANT_SQL.read_bytes())
    _migrate(database_environment(data, unfinished))
    for change in ("RENAME TO {template}", "ALLOW_CONNECTIONS false"):
        name = unfinished if change.startswith("RENAME") else template
        statement = sql.SQL("ALTER DATABASE {name} " + change)
        server.execute(statement.format(name=sql.Identifier(name), template=sql.Identifier(template)))


def _migrate(environment: dict[str, str]) -> None:
    command = [sys.executable, str(CHECKOUT / "manage.py"), "migrate", "--verbosity=0", "--skip-checks"]
    # A test process runs as the application role; manage.py has to choose the owner again.
    inherited = {name: value for name, value in os.environ.items() if name != "LEVELBOOK_DATABASE_ROLE"}
    subprocess.run(command, env=inherited | environment, check=True)


def _create(server: psycopg.Connection, name: str, template: str) -> None:
    statement = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
    server.execute(statement.format(sql.Identifier(name), sql.Identifier(template)))
    # Tests do not survive a power cut; the service does, and keeps the default.
    server.execute(sql.SQL("ALTER DATABASE {} SET synchronous_commit = off").format(sql.Identifier(name)))


def _drop_abandoned(server: psycopg.Connection) -> None:
    """Drop the databases of killed test processes of this machine."""
    for name in _databases(server, TEST_PREFIX):
        pid = name.removeprefix(TEST_PREFIX).split("_")[0]
        if database.is_embedded() and not Path(f"/proc/{pid}").exists():
            _drop(server, name)


def _drop(server: psycopg.Connection, name: str) -> None:
    """Drop a database; the owner may not end the server's own vacuum in it, which is over in a moment."""
    statement = sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name))
    deadline = time.monotonic() + VACUUM_PATIENCE_S
    while True:
        try:
            server.execute(statement)
        except (psycopg.errors.InsufficientPrivilege, psycopg.errors.ObjectInUse):
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)
        else:
            return


def _databases(server: psycopg.Connection, prefix: str) -> set[str]:
    query = "SELECT datname FROM pg_database WHERE starts_with(datname, %s)"
    return {name for (name,) in server.execute(query, [prefix])}


def migrations_hash() -> str:
    """What a migrated database depends on."""
    digest = hashlib.sha256()
    for pattern in MIGRATION_SOURCES:
        for path in sorted(CHECKOUT.glob(pattern)):
            digest.update(str(path.relative_to(CHECKOUT)).encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:16]


@contextmanager
def _locked_server(data: DataFolder) -> Iterator[psycopg.Connection]:
    with _owner_connection(data, "postgres") as server:
        server.execute("SELECT pg_advisory_lock(%s)", [ADVISORY_LOCK])
        yield server


def _owner_connection(data: DataFolder, name: str) -> psycopg.Connection:
    return psycopg.connect(**_parameters("owner", data, name), autocommit=True)


def _parameters(role: database.Role, data: DataFolder, name: str) -> dict[str, Any]:
    return database.connection_parameters(role, data) | {"dbname": name}

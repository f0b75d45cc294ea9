"""Database and broker given from outside: tried before anything starts, so that what is wrong is said in one line."""

import os

import psycopg
from kombu import Connection
from psycopg.conninfo import conninfo_to_dict

from deploy.embedded import postgres
from deploy.embedded.folder import EmbeddedServiceError
from fleet.checks import privileges

OLDEST_VERSION = 160_000
PATIENCE_S = 10
HELP = "see “A PostgreSQL and a broker of your own” in deploy/README.md"
ROLES = (postgres.OWNER, postgres.APP, "levelbook_gate")


def require_external_services() -> None:
    """Stop with a message unless every service that the environment names can be used."""
    for variable in ("DATABASE_URL", "DATABASE_OWNER_URL"):
        if os.environ.get(variable):
            _require_database(variable, os.environ[variable])
    if url := os.environ.get("BROKER_URL"):
        _require_broker(url)


def _require_database(variable: str, url: str) -> None:
    try:
        with psycopg.connect(url, connect_timeout=PATIENCE_S) as session:
            problems = _database_problems(session, is_service=variable == "DATABASE_URL")
    except psycopg.Error as error:
        reason = str(error).strip().splitlines()[0]
        raise EmbeddedServiceError(f"{variable} cannot be used ({_place(url)}): {reason}; {HELP}.") from None
    if problems:
        raise EmbeddedServiceError(f"{variable} cannot be used ({_place(url)}): {problems[0]}; {HELP}.")


def _database_problems(session: psycopg.Connection, *, is_service: bool) -> list[str]:
    problems = []
    if session.info.server_version < OLDEST_VERSION:
        problems.append("PostgreSQL 16 or later is needed")
    found = session.execute("SELECT rolname FROM pg_roles WHERE rolname = ANY(%s)", [list(ROLES)]).fetchall()
    if missing := sorted(set(ROLES) - {name for (name,) in found}):
        return [*problems, f"the server has no role {', '.join(missing)}: run deploy/roles.sql"]
    if is_service and (powers := _powers(session)):
        problems.append(f"its role {' and '.join(powers)}, so row-level security would not hold: use {postgres.APP}")
    granted = "SELECT 1 FROM pg_default_acl WHERE defaclrole = %s::regrole AND defaclobjtype = 'r'"
    if not session.execute(granted, [postgres.OWNER]).fetchone():
        problems.append("the database lacks its grants: run deploy/grants.sql in it")
    return problems


def _powers(session: psycopg.Connection) -> list[str]:
    """What the service's role must not be able to do; the owner has no tables yet where nothing has been migrated."""
    is_owner = session.execute("SELECT pg_has_role(current_user, %s, 'MEMBER')", [postgres.OWNER]).fetchone() == (True,)
    return privileges(session.cursor()) or ([f"may act as {postgres.OWNER}"] if is_owner else [])


def _require_broker(url: str) -> None:
    timeouts = {"socket_connect_timeout": PATIENCE_S, "socket_timeout": PATIENCE_S}
    with Connection(url, connect_timeout=PATIENCE_S, transport_options=timeouts) as broker:
        try:
            broker.ensure_connection(max_retries=1, timeout=PATIENCE_S)
            broker.channel()
        except Exception as error:  # noqa: BLE001  (each transport has errors of its own)
            raise EmbeddedServiceError(
                f"BROKER_URL cannot be used ({broker.as_uri()}): {error}; start the broker or mend the address."
            ) from None


def _place(url: str) -> str:
    """Which database, without the password."""
    try:
        parts = conninfo_to_dict(url)
    except psycopg.ProgrammingError:
        return "no address of a database"
    return f"{parts.get('dbname', '?')} at {parts.get('host', 'localhost')} as {parts.get('user', '?')}"

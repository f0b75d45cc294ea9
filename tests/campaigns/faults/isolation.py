"""Isolation with every filter of the application removed: raw sessions, and tokens on others' addresses."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, Final

import httpx
import psycopg
from psycopg import errors, sql

from deploy.embedded import postgres
from tests.campaigns.faults.interruptions import Bench, workshop_session
from tests.plain_http import TRUSTING_NOBODY
from tests.simulator.http_api import BASE, Api, RefusedError

TENANT_TABLES: Final = """
    SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
    WHERE c.relkind IN ('r', 'p') AND c.relnamespace = 'public'::regnamespace
      AND a.attname = 'workshop_id' AND NOT a.attisdropped
    ORDER BY c.relname
"""
IS_FORCED: Final = "SELECT relrowsecurity AND relforcerowsecurity FROM pg_class WHERE oid = %s::regclass"
PLACE_IN_A_BOOK: Final = {"book": "gen_random_uuid()", "sequence": "1", "previous_hash": "repeat('0', 64)"}
"""What the ledger's own trigger asks for before row-level security looks at the row."""
APPEND_ONLY: Final = "LB001"
AS_JSON: Final = {"Accept": "application/json"}
PARAMETER: Final = re.compile(r"\{([^}]+)\}")


def tenant_tables(bench: Bench) -> list[str]:
    with bench.service.connect(postgres.ADMIN) as session:
        return [str(row[0]) for row in session.execute(TENANT_TABLES)]


def rows_of(bench: Bench, table: str, workshop: str) -> int:
    """As a superuser, whom row-level security does not bind."""
    counting = sql.SQL("SELECT count(*) FROM {} WHERE workshop_id = %s").format(sql.Identifier(table))
    with bench.service.connect(postgres.ADMIN) as session:
        (row,) = session.execute(counting, [workshop]).fetchall()
        return int(row[0])


# --- Rows of another workshop -----------------------------------------------------------------------
def seen_from_outside(bench: Bench, own: str) -> list[str]:
    """What a raw session of workshop `own`, or of none, sees of the bench's workshop."""
    problems = []
    for table in tenant_tables(bench):
        with bench.service.connect(postgres.ADMIN) as session:
            if session.execute(IS_FORCED, [table]).fetchone() != (True,):
                problems.append(f"{table} has no forced row-level security")
        for workshop in (own, ""):
            problems += _visible(bench, table, workshop)
    return problems


def _visible(bench: Bench, table: str, workshop: str) -> list[str]:
    counting = sql.SQL("SELECT count(*) FROM {} WHERE workshop_id = %s").format(sql.Identifier(table))
    with workshop_session(bench.service, workshop) as session:
        (row,) = session.execute(counting, [bench.shop.workshop]).fetchall()
    return [f"{row[0]} rows of {table} are visible to workshop {workshop or 'none'}"] if row[0] else []


def inserted_from_outside(bench: Bench, own: str) -> list[str]:
    """Tables into which a raw session of workshop `own` may put a row of the bench's workshop."""
    problems = []
    for table in tenant_tables(bench):
        refusal = _insertion(bench, table, own, bench.shop.workshop)
        if refusal != "row-level security":
            problems.append(f"{table} refuses another workshop's row by: {refusal}")
        if _insertion(bench, table, own, own) == "row-level security":
            problems.append(f"{table} refuses one's own rows: the refusal of others' says nothing")
    return problems


def _insertion(bench: Bench, table: str, session_of: str, row_of: str) -> str:
    """What refuses a row that is empty but for its keys; the database looks at the policy before the other rules."""
    extra = PLACE_IN_A_BOOK if table == "fleet_ledgerentry" else {}
    names = sql.SQL(", ").join(map(sql.Identifier, ("id", "workshop_id", *extra)))
    values = sql.SQL(", ").join(map(sql.SQL, ("gen_random_uuid()", "%s", *extra.values())))
    statement = sql.SQL("INSERT INTO {} ({}) VALUES ({})").format(sql.Identifier(table), names, values)
    try:
        with workshop_session(bench.service, session_of) as session:
            session.execute(statement, [row_of])
            raise psycopg.Rollback
    except psycopg.Error as error:
        return "row-level security" if "row-level security" in str(error) else type(error).__name__
    return "nothing"


# --- Records that never change ------------------------------------------------------------------------
def changed_records(bench: Bench, tables: Sequence[str]) -> list[str]:
    """Tables among these whose rows may be changed, or emptied away, by the application's role or by the owner."""
    return [problem for table in tables for problem in _changes(bench, table)]


def _changes(bench: Bench, table: str) -> Iterator[str]:
    name = sql.Identifier(table)
    statements = {
        "UPDATE": sql.SQL("UPDATE {} SET id = id").format(name),
        "DELETE": sql.SQL("DELETE FROM {}").format(name),
        "TRUNCATE": sql.SQL("TRUNCATE {} CASCADE").format(name),
    }
    has_rows = rows_of(bench, table, bench.shop.workshop) > 0
    for role in (postgres.APP, postgres.OWNER):
        for word, statement in statements.items():
            refusal = _refusal(bench, role, statement)
            # A trigger for rows is silent where there is none: then it must at least be there.
            is_silent = role == postgres.OWNER and not has_rows and word != "TRUNCATE"
            if refusal is None and not (is_silent and _has_trigger(bench, table)):
                yield f"{role} may {word} {table}"


def _refusal(bench: Bench, role: str, statement: sql.Composed) -> str | None:
    try:
        with bench.service.connect(role) as session, session.transaction():
            session.execute("SELECT set_config('app.workshop', %s, true)", [bench.shop.workshop])
            session.execute(statement)
            raise psycopg.Rollback
    except errors.InsufficientPrivilege:
        return "privilege"
    except errors.ForeignKeyViolation:
        return "reference"
    except psycopg.Error as error:
        if error.sqlstate != APPEND_ONLY:
            raise
        return "trigger"
    return None


def _has_trigger(bench: Bench, table: str) -> bool:
    query = (
        "SELECT count(*) FROM pg_trigger "
        "WHERE tgrelid = %s::regclass AND tgname = 'append_only_row' AND tgenabled = 'O'"
    )
    with bench.service.connect(postgres.ADMIN) as session:
        return session.execute(query, [table]).fetchone() == (1,)


# --- Addresses of another workshop ---------------------------------------------------------------------
def operations(bench: Bench) -> list[tuple[str, str]]:
    """Method and address of every operation that the interface describes about one thing."""
    document = httpx.get(
        f"{bench.service.url}{BASE}/schema/", headers=AS_JSON, timeout=60, verify=TRUSTING_NOBODY
    ).json()
    return [
        (method.upper(), path.removeprefix(BASE))
        for path, item in document["paths"].items()
        for method in item
        if method in {"get", "post", "put", "patch", "delete"} and PARAMETER.search(path)
    ]


class Addresses:
    """Fills the parameters of an address with things that the bench's workshop has."""

    def __init__(self, api: Api) -> None:
        self.api = api
        self._listed: dict[str, list[dict[str, Any]]] = {}

    def of(self, path: str) -> str | None:
        """The address with real names in it; None where the workshop has no such thing."""
        filled = ""
        for segment in path.strip("/").split("/"):
            parameter = PARAMETER.fullmatch(segment)
            value = self._name_in(f"{filled}/", parameter[1]) if parameter else segment
            if value is None:
                return None
            filled += f"/{value}"
        return f"{filled}/" if path.endswith("/") else filled

    def _name_in(self, collection: str, parameter: str) -> str | None:
        rows = self._rows(collection)
        name = parameter if rows and parameter in rows[0] else "id"
        return str(rows[0][name]) if rows else None

    def _rows(self, collection: str) -> list[dict[str, Any]]:
        if collection not in self._listed:
            self._listed[collection] = self._read(collection)
        return self._listed[collection]

    def _read(self, collection: str) -> list[dict[str, Any]]:
        if collection == "/readings/":  # have no list of their own
            rounds = self._rows("/rounds/")
            return rounds[0]["readings"] if rounds else []
        if collection == "/photos/":
            return [photo for each in self._rows("/rounds/") for photo in self._rows(f"/rounds/{each['id']}/photos/")]
        try:
            rows: list[dict[str, Any]] = self.api.get(collection)["results"]
        except (RefusedError, KeyError):
            return []
        return rows


def answered_to_outsiders(bench: Bench, outsider: str) -> tuple[list[str], int, list[str]]:
    """Ask for everything of the bench's workshop with an outsider's token and an empty body.

    Gives the addresses that answer otherwise than with 404, how many were asked, and those that could not be asked
    since the workshop has no such thing.
    """
    addresses = Addresses(bench.shop.http.manager)
    problems, asked, unasked = [], 0, []
    headers = {"Authorization": f"Bearer {outsider}", "If-Match": '"1"'}
    with httpx.Client(base_url=bench.service.url, headers=headers, timeout=60, verify=TRUSTING_NOBODY) as client:
        for method, path in operations(bench):
            address = addresses.of(path)
            if address is None or path.startswith("/invitations/"):
                unasked.append(f"{method} {path}")
                continue
            asked += 1
            status = client.request(method, f"{BASE}{address}", json=None if method == "GET" else {}).status_code
            if status != 404:
                problems.append(f"{method} {path}: {status}")
    return problems, asked, unasked

"""A PostgreSQL and a broker of one's own: used instead of the embedded ones, and refused with a reason."""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import psycopg
import pytest
import redis
from psycopg import sql

from deploy.embedded import postgres, valkey
from deploy.embedded.folder import CHECKOUT, DataFolder, EmbeddedServiceError
from deploy.embedded.process import spawn, stop, wait_until
from deploy.external import require_external_services
from tests.campaigns.faults.journal import Journal
from tests.campaigns.faults.tablets import Shop, Tablet
from tests.deploy.conftest import PATIENCE, Service, Starter, empty_data_folder
from tests.ports import free_port

SECRET = "external-secret-7"  # noqa: S105
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class External:
    """A server and a broker that listen on the loopback interface and ask for passwords."""

    data: DataFolder
    database_port: int
    broker_port: int

    def database_url(self, role: str, *, password: str = SECRET, name: str = postgres.DATABASE) -> str:
        return f"postgresql://{role}:{password}@{LOOPBACK}:{self.database_port}/{name}"

    def broker_url(self, password: str = SECRET) -> str:
        return f"redis://:{password}@{LOOPBACK}:{self.broker_port}/0"

    def environment(self) -> dict[str, str]:
        return {
            "DATABASE_URL": self.database_url(postgres.APP),
            "DATABASE_OWNER_URL": self.database_url(postgres.OWNER),
            "BROKER_URL": self.broker_url(),
        }

    def admin(self, name: str = "postgres") -> psycopg.Connection:
        url = self.database_url(postgres.ADMIN, password=self.data.secret(postgres.ADMIN), name=name)
        return psycopg.connect(url, autocommit=True)


@pytest.fixture(scope="module")
def servers() -> Iterator[External]:
    """Server and broker as their packages leave them: no role, no database of ours."""
    with empty_data_folder() as data:
        external = External(data, free_port(), free_port())
        postgres.initialise(data)
        processes = [_database_server(external), _broker(external)]
        try:
            assert wait_until(partial(postgres.is_ready, data), PATIENCE)
            assert wait_until(partial(_broker_answers, external), PATIENCE)
            yield external
        finally:
            for process in processes:
                stop(process, postgres.STOP_SIGNAL, PATIENCE)


@pytest.fixture(scope="module")
def external(servers: External) -> External:
    """The same after the four commands at the head of `roles.sql`."""
    with servers.admin() as admin:
        admin.execute(postgres.ROLE_SQL.read_bytes())
        for role in (postgres.OWNER, postgres.APP):
            admin.execute(sql.SQL("ALTER ROLE {} PASSWORD {}").format(sql.Identifier(role), SECRET))
        _create_database(admin, postgres.DATABASE)
        _create_database(admin, "empty")
        _create_database(admin, "without_grants")
    for name in (postgres.DATABASE, "empty"):
        with servers.admin(name) as admin:
            admin.execute(postgres.GRANT_SQL.read_bytes())
    return servers


def _create_database(admin: psycopg.Connection, name: str) -> None:
    create = sql.SQL("CREATE DATABASE {} OWNER {}")
    admin.execute(create.format(sql.Identifier(name), sql.Identifier(postgres.OWNER)))


def _database_server(external: External) -> subprocess.Popen[bytes]:
    data = external.data
    settings = {
        "listen_addresses": LOOPBACK,
        "port": str(external.database_port),
        "unix_socket_directories": str(data.sockets),
    }
    options = [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]
    command: list[str | Path] = [postgres.program("postgres", data), "-D", data.postgres, *options]
    return spawn(command, user=data.service_user, death_signal=postgres.STOP_SIGNAL)


def _broker(external: External) -> subprocess.Popen[bytes]:
    data = external.data
    options = ["--bind", LOOPBACK, "--port", str(external.broker_port), "--requirepass", SECRET]
    command: list[str | Path] = [valkey.binary(data), *options, "--dir", data.valkey, "--save", ""]
    return spawn(command, user=data.service_user, death_signal=valkey.STOP_SIGNAL)


def _broker_answers(external: External) -> bool:
    try:
        with redis.Redis(LOOPBACK, external.broker_port, password=SECRET) as client:
            return bool(client.ping())
    except redis.ConnectionError:
        return False


# --- A service on them -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def starter(external: External) -> Iterator[Starter]:
    with empty_data_folder() as data:
        starter = Starter(data, external.environment())
        yield starter
        starter.stop_all()


def manage(starter: Starter, external: External, *arguments: str) -> str:
    environment = os.environ | external.environment() | {"LEVELBOOK_DATA": str(starter.data.root)}
    command = [sys.executable, str(CHECKOUT / "manage.py"), *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout


def status(service: Service, path: str) -> int:
    connection = http.client.HTTPConnection(LOOPBACK, service.port, timeout=30)
    try:
        connection.request("GET", path)
        return connection.getresponse().status
    finally:
        connection.close()


def test_a_job_goes_through_and_nothing_embedded_starts(starter: Starter, external: External) -> None:
    service = starter()
    assert service.has_said("serving http"), service.log.read_text()
    assert service.names() == {"web", "worker", "beat"}
    assert not (starter.data.root / "postgres").exists()
    assert not (starter.data.root / "valkey").exists()
    named = ("--name", "Far away", "--email", "far@example.com", "--password", "")
    founded = json.loads(manage(starter, external, "create_workshop", *named))
    url = f"http://{LOOPBACK}:{service.port}"
    shop = Shop(url, founded["workshop"], founded["token"], Journal(), threading.Event())
    Tablet(shop, 1, threading.Event())._visit()
    assert shop.journal.faults == []
    certificates = partial(shop.http.manager.get, "/certificates/", state="issued")
    assert wait_until(lambda: bool(certificates()["results"]), PATIENCE)
    shop.close()


def test_it_starts_again_on_what_is_there_also_without_the_owner(starter: Starter, external: External) -> None:
    starter.stop_all()
    starter.data.prepared.unlink()  # as after an upgrade: the tables are looked at, which the owner made
    again = starter(without=("DATABASE_OWNER_URL",))
    assert again.has_said("serving http"), again.log.read_text()
    assert status(again, "/readyz") == 200
    with external.admin(postgres.DATABASE) as admin:
        assert admin.execute("SELECT count(*) FROM fleet_workshop WHERE name = 'Far away'").fetchone() == (1,)


def test_nothing_is_started_on_a_database_that_refuses(starter: Starter, external: External) -> None:
    wrong = {"DATABASE_URL": external.database_url(postgres.APP, password="wrong")}  # noqa: S106
    refused = starter(changes=wrong, data=starter.data.root.parent / "other")
    assert refused.process.wait(PATIENCE) == 1
    assert refused.has_said("levelbook: DATABASE_URL cannot be used")
    assert not refused.has_said("Traceback")
    assert not refused.has_said("is ready")


# --- Clear refusals ----------------------------------------------------------------------------------


@pytest.fixture
def given(external: External, monkeypatch: pytest.MonkeyPatch) -> External:
    """The working environment, which a test then spoils."""
    for name, value in external.environment().items():
        monkeypatch.setenv(name, value)
    return external


def refusal() -> str:
    with pytest.raises(EmbeddedServiceError) as refused:
        require_external_services()
    assert SECRET not in str(refused.value)
    return str(refused.value)


def test_what_can_be_used_is_not_refused(given: External) -> None:
    require_external_services()


def test_a_server_without_our_roles_is_refused(servers: External, monkeypatch: pytest.MonkeyPatch) -> None:
    with servers.admin() as admin:
        found = admin.execute("SELECT 1 FROM pg_roles WHERE rolname = 'levelbook_gate'").fetchone()
        if found:
            admin.execute("ALTER ROLE levelbook_gate RENAME TO away")
        try:
            url = servers.database_url(postgres.ADMIN, password=servers.data.secret(postgres.ADMIN), name="postgres")
            monkeypatch.setenv("DATABASE_URL", url)
            assert "has no role" in refusal()
        finally:
            if found:
                admin.execute("ALTER ROLE away RENAME TO levelbook_gate")


@pytest.mark.parametrize(
    ("variable", "told"),
    [("DATABASE_URL", "levelbook_app"), ("DATABASE_OWNER_URL", "levelbook_owner")],
)
def test_a_wrong_password_is_refused_by_the_name_of_its_variable(
    given: External, variable: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(variable, os.environ[variable].replace(SECRET, "wrong"))
    assert f"{variable} cannot be used" in refusal()
    assert f'password authentication failed for user "{told}"' in refusal()


def test_a_database_that_is_not_there_is_refused(given: External, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", given.database_url(postgres.APP, name="nowhere"))
    assert 'database "nowhere" does not exist' in refusal()


def test_a_database_without_its_grants_is_refused(given: External, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", given.database_url(postgres.APP, name="without_grants"))
    assert "run deploy/grants.sql" in refusal()


def test_a_server_that_is_not_there_is_refused(given: External, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", given.database_url(postgres.APP).replace(str(given.database_port), "9"))
    assert "Connection refused" in refusal()


def test_an_address_of_something_else_is_refused(given: External, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "mysql://somewhere")
    assert "no address of a database" in refusal()


@pytest.mark.parametrize(("role", "told"), [(postgres.ADMIN, "is a superuser"), (postgres.OWNER, "levelbook_owner")])
def test_a_role_that_row_level_security_does_not_bind_is_refused(
    given: External, role: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On an empty database, where the owner has no tables yet."""
    password = given.data.secret(postgres.ADMIN) if role == postgres.ADMIN else SECRET
    monkeypatch.setenv("DATABASE_URL", given.database_url(role, password=password, name="empty"))
    message = refusal()
    assert told in message
    assert "row-level security would not hold" in message


@pytest.mark.parametrize("spoil", [("wrong", SECRET), ("9", None)], ids=["wrong password", "nothing there"])
def test_a_broker_that_cannot_be_used_is_refused(
    given: External, spoil: tuple[str, str | None], monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong, right = spoil
    monkeypatch.setenv("BROKER_URL", given.broker_url().replace(right or str(given.broker_port), wrong))
    assert "BROKER_URL cannot be used" in refusal()

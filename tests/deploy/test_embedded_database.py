"""The embedded PostgreSQL without a supervisor: shared use, stale files, closed folders, long paths."""

import os
import shutil
import signal
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from deploy.embedded import folder as folder_module
from deploy.embedded import postgres
from deploy.embedded.folder import CHECKOUT, SOCKET_PATH_LIMIT, DataFolder, EmbeddedServiceError
from deploy.embedded.process import processes_in, wait_until
from deploy.embedded.usage import running_database
from tests.deploy.conftest import EXTERNAL_VARIABLES, PATIENCE, empty_data_folder

HOLD_DATABASE = """
import sys
from deploy.embedded.folder import data_folder
from deploy.embedded.usage import running_database
with running_database(data_folder()):
    print("holding", flush=True)
    sys.stdin.read()
"""


def current_role(data: DataFolder, role: str) -> tuple[object, ...]:
    query = """
        SELECT current_user::text, rolsuper, rolbypassrls, rolcreaterole, rolcreatedb
        FROM pg_roles WHERE rolname = current_user
    """
    with connect(data, role) as connection:
        row = connection.execute(query).fetchone()
    assert row is not None
    return row


def connect(data: DataFolder, role: str, password: str | None = None) -> psycopg.Connection:
    return psycopg.connect(
        host=str(data.sockets), user=role, password=password or data.secret(role), dbname=postgres.DATABASE
    )


@pytest.fixture(scope="module")
def used_again() -> Iterator[DataFolder]:
    """Return a folder whose initialisation the tests of this module share."""
    with empty_data_folder() as folder:
        yield folder


@pytest.fixture
def initialised(used_again: DataFolder, monkeypatch: pytest.MonkeyPatch) -> DataFolder:
    for name in EXTERNAL_VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("LEVELBOOK_DATA", str(used_again.root))
    return used_again


@pytest.fixture
def holder(initialised: DataFolder) -> Iterator[subprocess.Popen[str]]:
    """Return another process that uses the database of the same folder."""
    environment = os.environ | {"PYTHONPATH": str(CHECKOUT)}
    with subprocess.Popen(
        [sys.executable, "-c", HOLD_DATABASE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "holding\n"
        yield process
        process.kill()


def test_roles_are_as_plain_as_their_work_allows(initialised: DataFolder) -> None:
    with running_database(initialised):
        #                                                superuser bypass createrole createdb
        assert current_role(initialised, postgres.APP) == (postgres.APP, False, False, False, False)
        assert current_role(initialised, postgres.OWNER) == (postgres.OWNER, False, False, False, True)
        with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
            connect(initialised, postgres.APP, password="wrong")  # noqa: S106
        with connect(initialised, postgres.APP) as app, pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute("CREATE TABLE own (id integer)")
        with connect(initialised, postgres.APP) as app, pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute("CREATE TEMPORARY TABLE shadow (id integer)")


def test_the_application_may_use_tables_of_the_owner_and_no_more(initialised: DataFolder) -> None:
    with running_database(initialised):
        with connect(initialised, postgres.OWNER) as owner:
            owner.execute("CREATE TABLE thing (id bigserial PRIMARY KEY, name text)")
        with connect(initialised, postgres.APP) as app:
            app.execute("INSERT INTO thing (name) VALUES ('a')")
            app.execute("UPDATE thing SET name = 'b'")
            assert app.execute("SELECT name FROM thing").fetchall() == [("b",)]
            app.execute("DELETE FROM thing")
        with connect(initialised, postgres.APP) as app, pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute("TRUNCATE thing")


def test_the_owner_can_hand_a_function_to_the_gate_and_replace_it_later(initialised: DataFolder) -> None:
    define = (
        "CREATE OR REPLACE FUNCTION answer() RETURNS integer "
        "LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog AS "
    )
    with running_database(initialised):
        with connect(initialised, postgres.OWNER) as owner:
            owner.execute(define + "'SELECT 41'")
            owner.execute("GRANT CREATE ON SCHEMA public TO levelbook_gate")
            owner.execute("ALTER FUNCTION answer() OWNER TO levelbook_gate")
            owner.execute("REVOKE CREATE ON SCHEMA public FROM levelbook_gate")
            owner.execute(define + "'SELECT 42'")
        with connect(initialised, postgres.APP) as app:
            assert app.execute("SELECT answer()").fetchone() == (42,)


def test_the_last_user_who_leaves_stops_the_database(initialised: DataFolder, holder: subprocess.Popen[str]) -> None:
    with running_database(initialised):
        pid = postgres.running_pid(initialised)
        assert pid is not None
    assert postgres.running_pid(initialised) == pid, "another process still uses it"
    holder.communicate("")
    assert postgres.running_pid(initialised) is None
    assert processes_in(initialised.postgres) == set()


def test_a_killed_user_does_not_keep_the_database_from_the_next(
    initialised: DataFolder, holder: subprocess.Popen[str]
) -> None:
    holder.kill()
    holder.wait()
    with running_database(initialised):
        assert current_role(initialised, postgres.APP)[0] == postgres.APP
    assert postgres.running_pid(initialised) is None


def test_rows_survive_a_killed_postmaster(initialised: DataFolder) -> None:
    with running_database(initialised):
        with connect(initialised, postgres.OWNER) as owner:
            owner.execute("CREATE TABLE survivor AS SELECT 'kept' AS name")
        pid = postgres.running_pid(initialised)
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        assert wait_until(lambda: postgres.running_pid(initialised) is None, PATIENCE)
    assert (initialised.postgres / "postmaster.pid").exists()
    with running_database(initialised), connect(initialised, postgres.OWNER) as owner:
        assert owner.execute("SELECT name FROM survivor").fetchall() == [("kept",)]


def test_a_stale_pid_file_that_names_a_living_stranger_does_not_block_the_start(
    initialised: DataFolder,
) -> None:
    with running_database(initialised):
        file = initialised.postgres / "postmaster.pid"
        lines = file.read_text().splitlines()
    file.write_text("\n".join([str(os.getpid()), *lines[1:]]) + "\n")
    assert not postgres.is_ready(initialised)
    with running_database(initialised):
        assert current_role(initialised, postgres.APP)[0] == postgres.APP
    assert wait_until(lambda: not file.exists(), PATIENCE)


def test_an_initialisation_cut_short_is_done_again(data: DataFolder) -> None:
    (data.postgres / "base").mkdir()
    (data.postgres / "PG_VERSION").write_text("18\n")
    with running_database(data):
        assert current_role(data, postgres.APP)[0] == postgres.APP


def test_simultaneous_users_start_one_server(initialised: DataFolder) -> None:
    pids: list[int | None] = []
    everyone_in = threading.Barrier(4)

    def use() -> None:
        with running_database(initialised):
            everyone_in.wait(PATIENCE)
            pids.append(postgres.running_pid(initialised))
            everyone_in.wait(PATIENCE)

    threads = [threading.Thread(target=use) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(pids) == 4
    assert len(set(pids)) == 1
    assert pids[0] is not None
    assert postgres.running_pid(initialised) is None


def test_a_data_folder_with_a_long_path_gets_a_short_private_socket_folder(data: DataFolder) -> None:
    long = DataFolder(data.root / ("a" * 60) / ("b" * 60))
    try:
        with running_database(long):
            assert current_role(long, postgres.APP)[0] == postgres.APP
        assert len(str(long.sockets / ".s.PGSQL.5432")) <= SOCKET_PATH_LIMIT
        assert stat.S_IMODE(long.sockets.stat().st_mode) == 0o700
        # The same folder in the next process, or nobody would find the server.
        assert DataFolder(long.root).sockets == long.sockets
    finally:
        shutil.rmtree(long.sockets)


def test_a_socket_folder_that_somebody_else_made_is_refused(data: DataFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    long = DataFolder(data.root / ("a" * 60) / ("b" * 60))
    sockets = long.sockets
    monkeypatch.setattr(os, "geteuid", lambda: 4_294_967)
    # The folder of the stranger below, made by us under the stranger's expected name.
    theirs = Path(str(sockets).replace(f"levelbook-{os.getuid()}-", "levelbook-4294967-"))
    theirs.mkdir()
    try:
        with pytest.raises(EmbeddedServiceError, match="belongs to user"):
            _ = DataFolder(long.root).sockets
    finally:
        theirs.rmdir()
        sockets.rmdir()


def test_secrets_and_folders_are_open_to_their_owner_only(initialised: DataFolder) -> None:
    with running_database(initialised):
        initialised.secret("django-secret-key")
        files = list((initialised.root / "secrets").iterdir())
        assert {file.name for file in files} == {
            "levelbook_admin",
            "levelbook_owner",
            "levelbook_app",
            "django-secret-key",
        }
        assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
        private = (
            initialised.postgres,
            initialised.sockets,
            initialised.run,
            initialised.logs,
            initialised.root / "secrets",
        )
        assert {stat.S_IMODE(path.stat().st_mode) for path in private} == {0o700}
    # Only as root the folder itself may be passed through, by the database's user.
    assert stat.S_IMODE(initialised.root.stat().st_mode) == (0o711 if os.geteuid() == 0 else 0o700)
    assert not (initialised.service_home / "initdb-password").exists()


def test_passwords_do_not_reach_the_logs(initialised: DataFolder) -> None:
    with running_database(initialised):
        pass
    logs = "".join(file.read_text() for file in initialised.logs.iterdir())
    assert "database system is ready" in logs
    for role in (postgres.ADMIN, postgres.OWNER, postgres.APP):
        assert initialised.secret(role) not in logs


def test_what_a_refused_statement_was_about_does_not_reach_the_logs(initialised: DataFolder) -> None:
    with running_database(initialised), connect(initialised, postgres.OWNER) as owner:
        owner.execute("CREATE TEMPORARY TABLE person (email text CONSTRAINT one_person PRIMARY KEY)")
        owner.execute("INSERT INTO person VALUES ('kim.arden@example.com')")
        with pytest.raises(psycopg.errors.UniqueViolation):
            owner.execute("INSERT INTO person VALUES ('kim.arden@example.com')")
    written = (initialised.logs / "postgres.log").read_text()
    assert "one_person" in written, "the refusal itself is logged"
    assert "kim.arden" not in written


def test_a_secret_is_made_once_and_a_damaged_one_is_refused(data: DataFolder) -> None:
    made = data.secret("key")
    assert DataFolder(data.root).secret("key") == made
    (data.root / "secrets" / "key").write_text("cut")
    with pytest.raises(EmbeddedServiceError, match="restore it from backup"):
        data.secret("key")


def test_a_data_folder_below_a_closed_folder_works_for_root_too(
    data: DataFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    shared_home = data.root.parent / "shared"
    monkeypatch.setattr(folder_module, "SHARED_HOME", shared_home)
    data.root.mkdir(mode=0o700)
    closed = DataFolder(data.root / "data")
    with running_database(closed):
        assert current_role(closed, postgres.APP)[0] == postgres.APP
    expected = shared_home if os.geteuid() == 0 else closed.root.parent
    assert closed.service_home.parent == expected
    assert DataFolder(closed.root).postgres == closed.postgres
    assert stat.S_IMODE(data.root.stat().st_mode) == 0o700, "a folder that is not ours was opened"


def test_programs_that_only_root_can_reach_are_copied_for_the_database_s_user(
    data: DataFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postgres, "is_reachable", lambda path, user: False)
    with running_database(data):
        assert current_role(data, postgres.APP)[0] == postgres.APP
        copied = data.root in postgres.program("postgres", data).parents
    assert copied == (os.geteuid() == 0)

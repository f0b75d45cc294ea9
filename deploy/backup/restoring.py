"""A backup brought back. It is restored beside the database in use, migrated and checked there, and only then
takes its place: whatever goes wrong before, the database in use stays as it was.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import psycopg
from django.db import DEFAULT_DB_ALIAS, connections
from django.db.migrations.loader import MigrationLoader
from django.utils.translation import gettext as _
from psycopg import sql
from psycopg.conninfo import make_conninfo

from deploy import database
from deploy.embedded.folder import CHECKOUT, DataFolder
from deploy.embedded.postgres import GRANT_SQL, OWNER
from fleet.management.commands.verify_records import BAD
from fleet.models import Installation, Workshop

from .making import DUMP, FILES, BackupError, Manifest, run_program, unknown_migrations

ALIAS: Final = "restored"
MAINTENANCE: Final = "postgres"
RENAME_ATTEMPTS: Final = 10


@dataclass(frozen=True, slots=True)
class Restored:
    """`epoch` is the new one, at which tablets offer again what they sent; `verified` says of each workshop what its
    verification read."""

    epoch: uuid.UUID
    verified: list[str]


def backup_restore(
    folder: Path, *, data: DataFolder, files: Path, now: datetime, replace: bool, key_is_lost: bool = False
) -> Restored:
    """Bring a backup back whose records are what they were.

    With `key_is_lost` each ledger is made to say that the key of its heads is, and that today's takes its place.
    """
    manifest = Manifest.read(folder)
    known = _known_migrations()
    _require_known(manifest, known)
    name = str(connections[DEFAULT_DB_ALIAS].settings_dict["NAME"])
    if not replace and _holds_workshops():
        raise BackupError(_("The database is not empty. Say --replace to put the backup in its place."))
    connections.close_all()
    with _database_beside(data, name) as restored:
        run_program(data, "pg_restore", restored, "--exit-on-error", "--single-transaction", str(folder / DUMP))
        if not known <= _applied_migrations(data, restored):
            _migrate(data, restored)
        if key_is_lost:
            _accept_new_key(data, restored)
        connections.databases[ALIAS] = {**connections.databases[DEFAULT_DB_ALIAS], "NAME": restored}
        verified = _verified(data, restored)
        epoch = _begin_epoch(now)
        _copy_files(folder / FILES, files)
        _put_in_place(data, restored, name)
    _remove_other_files(folder / FILES, files)
    return Restored(epoch, verified)


def _known_migrations() -> set[tuple[str, str]]:
    """(app, migration) of all that this version has."""
    return set(MigrationLoader(None, ignore_no_migrations=True).disk_migrations or ())


def _applied_migrations(data: DataFolder, name: str) -> set[tuple[str, str]]:
    """The same of what a database has been brought to."""
    with _administrator(data, name) as server:
        return {(app, migration) for app, migration in server.execute("SELECT app, name FROM django_migrations")}


def _require_known(manifest: Manifest, known: set[tuple[str, str]]) -> None:
    unknown = unknown_migrations(manifest.migrations, known)
    if unknown:
        text = _("A newer version of Levelbook made this backup (%(names)s). Install that version first.")
        raise BackupError(text % {"names": ", ".join(unknown[:3])})


def _holds_workshops() -> bool:
    connection = connections[DEFAULT_DB_ALIAS]
    if Workshop._meta.db_table not in connection.introspection.table_names():
        return False
    return Workshop.objects.exists()


@contextmanager
def _database_beside(data: DataFolder, name: str) -> Iterator[str]:
    """A new, empty database on the same server, removed where the block fails."""
    beside = f"{name}_restoring"
    with _administrator(data, MAINTENANCE) as server:
        _drop(server, beside)
        create = sql.SQL("CREATE DATABASE {} OWNER {} TEMPLATE template0 ENCODING 'UTF8'")
        server.execute(create.format(sql.Identifier(beside), sql.Identifier(OWNER)))
    with _administrator(data, beside) as connection:
        # Privileges on the database itself are not part of a dump.
        connection.execute(GRANT_SQL.read_bytes())
    try:
        yield beside
    finally:
        if ALIAS in connections.databases:
            connections[ALIAS].close()
        with _administrator(data, MAINTENANCE) as server:
            _drop(server, beside)


def _migrate(data: DataFolder, name: str) -> None:
    """Bring the tables of an older backup to this version, as their owner."""
    ended = _manage(data, name, "migrate", "--verbosity=0")
    if ended.returncode != 0:
        raise BackupError(_("The backup could not be migrated: %(why)s") % {"why": ended.stderr[-2000:]})


def _verified(data: DataFolder, name: str) -> list[str]:
    """Verify all records of the restored database, as their owner, and say what was read. Refuses what is not good."""
    if not Workshop.objects.using(ALIAS).exists():
        return []
    ended = _manage(data, name, "verify_records")
    said = ended.stdout.splitlines()
    if ended.returncode == 0:
        return said
    raise _unverified(ended)


def _accept_new_key(data: DataFolder, name: str) -> None:
    ended = _manage(data, name, "accept_new_signing_key")
    if ended.returncode != 0:
        raise _unverified(ended)


def _unverified(ended: subprocess.CompletedProcess[str]) -> BackupError:
    bad = [line for line in ended.stdout.splitlines() if BAD in line]
    if not bad:
        return BackupError(_("The backup could not be verified: %(why)s") % {"why": ended.stderr[-2000:]})
    text = _(
        "The records in this backup are not what they were: %(what)s. Nothing was restored. Where heads were signed "
        "by another installation’s key, name its public key in FORMER_CHECKPOINT_KEYS and restore again; where that "
        "is lost too, say --accept-new-signing-key."
    )
    return BackupError(text % {"what": "; ".join(bad)})


def _manage(data: DataFolder, name: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """A command of `manage.py` on the restored database, in the role that it takes. The code is not checked for each:
    that takes longer than most of them.
    """
    roles: tuple[database.Role, ...] = ("app", "owner")
    urls = {
        database.URL_VARIABLES[role]: make_conninfo(**(database.connection_parameters(role, data) | {"dbname": name}))
        for role in roles
    }
    inherited = {key: value for key, value in os.environ.items() if key != "LEVELBOOK_DATABASE_ROLE"}
    command = [sys.executable, str(CHECKOUT / "manage.py"), *arguments, "--skip-checks"]
    return subprocess.run(command, env=inherited | urls, capture_output=True, text=True, check=False)


def _begin_epoch(now: datetime) -> uuid.UUID:
    """Begin an epoch, so that tablets notice."""
    epoch = uuid.uuid4()
    Installation.objects.using(ALIAS).update(epoch=epoch, epoch_began_at=now)
    return epoch


def _put_in_place(data: DataFolder, restored: str, name: str) -> None:
    """Rename one away and the other in, both or neither. Services notice lost connections and open new ones."""
    connections[ALIAS].close()
    old = f"{name}_replaced"
    with _administrator(data, MAINTENANCE) as server:
        _drop(server, old)
        for attempt in range(1, RENAME_ATTEMPTS + 1):
            try:
                _rename(server, {name: old, restored: name})
                break
            except psycopg.errors.ObjectInUse:  # somebody came back in between
                if attempt == RENAME_ATTEMPTS:
                    raise BackupError(_("The database is in use. Stop the service, then restore.")) from None
        _drop(server, old)


def _rename(server: psycopg.Connection, names: Mapping[str, str]) -> None:
    server.execute(
        "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = ANY(%s)", [list(names)]
    )
    with server.transaction():
        for current, new in names.items():
            rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
            server.execute(rename.format(sql.Identifier(current), sql.Identifier(new)))


def _drop(server: psycopg.Connection, name: str) -> None:
    server.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))


def _administrator(data: DataFolder, name: str) -> psycopg.Connection:
    parameters: dict[str, Any] = database.connection_parameters("admin", data) | {"dbname": name}
    return psycopg.connect(**parameters, autocommit=True)


def _copy_files(source: Path, target: Path) -> None:
    """Each file appears complete; what is there already under its name is overwritten."""
    for path in sorted(source.rglob("*")):
        copy = target / path.relative_to(source)
        if path.is_dir():
            copy.mkdir(mode=0o700, parents=True, exist_ok=True)
            continue
        copy.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        unfinished = copy.with_name(f".{copy.name}.restoring")
        shutil.copy(path, unfinished)
        unfinished.replace(copy)


def _remove_other_files(source: Path, target: Path) -> None:
    """Files of the replaced database, which nothing names any more."""
    for path in sorted(target.rglob("*")):
        if path.is_file() and not (source / path.relative_to(target)).exists():
            path.unlink()

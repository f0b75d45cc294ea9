"""Whether tables and static files are as this code wants them: to bring them there once more would take seconds."""

import hashlib
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import distributions
from pathlib import Path

import psycopg

from deploy import database
from deploy.embedded.folder import CHECKOUT, DataFolder

SOURCES = tuple(CHECKOUT / name for name in ("fleet", "calibration", "reports", "deploy"))
APPLIED_SQL = "SELECT app, name FROM django_migrations ORDER BY app, name"
MANIFEST = "staticfiles.json"


def is_prepared(data: DataFolder) -> bool:
    """Tell whether the same code brought both into place, and no migration came or went since."""
    if not (data.prepared.exists() and (data.static / MANIFEST).exists()):
        return False
    return data.prepared.read_text() == _stamp(code_state(), _applied_migrations(data))


@contextmanager
def preparing(data: DataFolder) -> Iterator[None]:
    """Note at the end what brought them into place; a block that fails leaves no note, not even an older one."""
    data.prepared.unlink(missing_ok=True)
    # As it was before: what changes meanwhile may have come too late.
    code = code_state()
    yield
    data.prepared.write_text(_stamp(code, _applied_migrations(data)))


def code_state(sources: tuple[Path, ...] = SOURCES) -> str:
    """Return what tables and static files depend on, as a hash: sources, packages, Python."""
    digest = hashlib.sha256()
    files = sorted(path for folder in sources for path in _files_below(folder))
    for path in files:
        found = path.stat()
        digest.update(f"{path} {found.st_size} {found.st_mtime_ns}\n".encode())
    packages = sorted(f"{package.name} {package.version}" for package in distributions())
    digest.update("\n".join([*packages, sys.version]).encode())
    return digest.hexdigest()


def _files_below(folder: Path) -> Iterator[Path]:
    for place, folders, names in os.walk(folder):
        # Python writes here whenever it likes.
        folders[:] = [name for name in folders if name != "__pycache__"]
        yield from (Path(place, name) for name in names)


def _applied_migrations(data: DataFolder) -> str:
    """Return what the database says of itself, which may have been restored or replaced since."""
    with psycopg.connect(**database.connection_parameters("app", data)) as session:
        try:
            return "\n".join(f"{app} {name}" for app, name in session.execute(APPLIED_SQL))
        except psycopg.errors.UndefinedTable:
            return ""


def _stamp(code: str, applied: str) -> str:
    return hashlib.sha256(f"{code}\n{applied}".encode()).hexdigest()

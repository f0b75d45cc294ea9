"""The whole demo exported, taken in by an empty workshop of another installation, and exported again: equal content.

    python -m tests.campaigns.exported_and_taken_in [--rows N]

Loads the demo into a database of its own and brings it to a second one by the service's own commands, each in a
process of its own of which time and the most memory are measured. With `--rows` so many rows that no ledger keeps are
added before, to see whether memory grows with the tables. Ends with 1 where a table differs in
anything but what `EXCEPTIONS` names, or `verify_records` finds anything.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any, Final

import django

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.test import override_settings

from deploy.embedded.folder import CHECKOUT, data_folder
from deploy.embedded.usage import running_database
from fleet.credentials import memberships_of
from fleet.models import User, Workshop
from fleet.services import checkpoint_make
from fleet.tenancy import in_workshop
from tests.database import copied_database, database_environment
from tests.reports.workshops import empty_site, perform_due, system, tables_in

EXCEPTIONS: Final = {
    "tables/fleet.membership.csv": {"is_active", "email"},
    "tables/reports.driftalert.csv": {"details", "updated_at", "version", "state", "resolved_at", "resolution"},
}
"""Columns that may differ: people can do nothing before they are invited; alerts are judged anew, as of now."""
GROWN: Final = ("tables/fleet.membership.csv", "tables/reports.driftalert.csv")
"""Tables that may have further rows: who founded the new workshop; alerts that today finds."""


@dataclass(frozen=True)
class Place:
    """One installation: its database and files."""

    name: str
    files: Path

    @property
    def environment(self) -> dict[str, str]:
        return {**os.environ, **database_environment(data_folder(), self.name), "FILES_URL": str(self.files)}

    @contextmanager
    def entered(self) -> Iterator[None]:
        connection.close()
        connection.settings_dict["NAME"] = self.name
        with override_settings(MEDIA_ROOT=self.files):
            yield
        connection.close()


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=0)
    options = parser.parse_args(arguments)
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with (
        tempfile.TemporaryDirectory() as folder,
        running_database(data_folder()),
        copied_database(data_folder(), "demo") as first,
        copied_database(data_folder(), "other") as second,
    ):
        return _moved(
            Place(first, Path(folder) / "first"), Place(second, Path(folder) / "second"), Path(folder), options.rows
        )


def _moved(old: Place, new: Place, folder: Path, rows: int) -> int:
    for place in (old, new):
        place.files.mkdir(mode=0o700)
    with old.entered():
        workshop_id = _demo()
        _add_rows(workshop_id, rows)
    before, after = folder / "before.zip", folder / "after.zip"
    _measured("exported", old, "export_workshop", str(before), "--workshop", str(workshop_id))
    with new.entered():
        site = empty_site()
    _measured("taken in", new, "take_in_archive", str(before), "--workshop", str(site.workshop.pk))
    with new.entered():
        began = time.monotonic()
        done = perform_due(site.workshop.pk)
        _say(f"{len(done)} pieces of background work that follow: {time.monotonic() - began:.1f} s")
        with in_workshop(site.workshop.pk):
            checkpoint_make(actor=system(site))
    verified = _measured("verified", new, "verify_records", "--workshop", str(site.workshop.pk))
    _measured("exported again", new, "export_workshop", str(after), "--workshop", str(site.workshop.pk))
    return 0 if _is_equal(before, after) and verified else 1


def _demo() -> uuid.UUID:
    began = time.monotonic()
    call_command("load_demo", stdout=StringIO())
    workshop_id: uuid.UUID = next(w for user in User.objects.all() for w, _m, _n in memberships_of(user.pk))
    perform_due(workshop_id)
    with in_workshop(workshop_id):
        name = Workshop.objects.get(pk=workshop_id).name
    _say(f"demo ({name}) loaded: {time.monotonic() - began:.0f} s")
    return workshop_id


def _add_rows(workshop_id: uuid.UUID, rows: int) -> None:
    """What was once learned of a model's rates, that often; as of now, so that no series begins with it."""
    with in_workshop(workshop_id), connection.cursor() as cursor:
        cursor.execute(
            """
            INSERT INTO calibration_driftrateprior
                (id, workshop_id, recorded_at, vehicle_model_id, mean, variance, corners, computed_with)
            SELECT uuidv7(), %s, now(), (SELECT id FROM fleet_vehiclemodel LIMIT 1), random(), 1 + random(), 8, '{}'
            FROM generate_series(1, %s)
            """,
            [workshop_id, rows],
        )


def _measured(what: str, place: Place, *command: str) -> bool:
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    child = subprocess.Popen(
        [sys.executable, str(CHECKOUT / "manage.py"), *command],
        env=place.environment,
        stdout=subprocess.PIPE,
        text=True,
    )
    most_kb = 0
    while child.poll() is None:
        most_kb = max(most_kb, _most_resident_kb(child.pid))
        time.sleep(0.1)
    assert child.stdout is not None
    said, after = child.stdout.read().strip(), resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    _say(
        f"{what}: {time.monotonic() - began:.1f} s by the clock, {seconds:.1f} s of the processor, "
        f"at most {most_kb / 1024:.0f} MB; {said[:300]}"
    )
    if child.returncode:
        raise SystemExit(f"{command[0]} failed")
    return child.returncode == 0


def _most_resident_kb(pid: int) -> int:
    """Of the process itself: what the system says when it has ended counts the memory of whoever started it."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM")), 0)


def _is_equal(before: Path, after: Path) -> bool:
    first, second = tables_in(before), tables_in(after)
    rows = sum(map(len, first.values()))
    differing = [line for name in first for line in _differences(name, first[name], second[name])]
    _say(f"{rows} rows in {len(first)} tables; {_megabytes(before):.1f} MB and {_megabytes(after):.1f} MB")
    for line in differing[:20]:
        _say(line)
    _say("equal but for what is named" if not differing else f"{len(differing)} DIFFERENCES")
    return not differing


def _differences(name: str, before: list[dict[str, str]], after: list[dict[str, str]]) -> Iterator[str]:
    key: Any = (lambda row: row["id"]) if before and "id" in before[0] else (lambda row: "")
    now, allowed = {key(row): row for row in after}, EXCEPTIONS.get(name, set())
    if len(after) != len(before) and name not in GROWN:
        yield f"{name}: {len(before)} rows before, {len(after)} after"
    if name not in GROWN and before != after:
        yield f"{name}: not the same rows in the same order"
    aside = 0
    for row in before:
        other = now.get(key(row), {})
        differing = {column for column, value in row.items() if other.get(column) != value}
        aside += bool(differing & allowed)
        if differing - allowed:
            yield f"{name} {key(row)}: {sorted(differing - allowed)}"
    if name in GROWN:
        _say(f"{name}: {aside} of {len(before)} rows differ as named, {len(after) - len(before)} came on top")


def _megabytes(file: Path) -> float:
    return file.stat().st_size / 1e6


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

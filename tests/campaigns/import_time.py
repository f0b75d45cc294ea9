"""How long an import of past checks takes, and how much memory its worker.

    python -m tests.campaigns.import_time [--rows 100000] [--vehicles N] [--by-time] [--verify]

In a database of its own a workshop with vehicles gets a CSV file of so many checks (a hundred a vehicle unless told
otherwise; `--by-time` has them in the order of time, all vehicles mixed), and a process of its own carries it out as a
worker does. Prints rows a second, seconds of the processor, and the most memory of that process; then how long a bare
COPY of the very rows that came of it (checks and readings, into tables without index) takes, and the ratio. `--verify`
has the records verified.
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
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any, Final

import django
import psycopg

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()

from django.conf import settings
from django.db import connection
from django.utils import timezone

from deploy.embedded.folder import CHECKOUT, data_folder
from deploy.embedded.usage import running_database
from fleet import outbox
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.services import checkpoint_make, vehicle_add
from fleet.tenancy import in_workshop
from fleet.verification import verify_workshop
from reports.models import Import
from reports.services.imports import GO_ON_KIND, import_begin, import_file_keep
from tests.campaigns.alterations.world import superuser
from tests.database import copied_database, database_environment
from tests.factories import Site, make_site, new_vin

CHECKS_A_VEHICLE: Final = 100
FIRST: Final = datetime(2020, 2, 1, 8, tzinfo=UTC)
TABLES: Final = ("calibration_heightcheck", "calibration_heightcheckreading")
HEADINGS: Final = "vin,taken_at,received_at,odometer_km,instrument,loading,FL_mm,FR_mm,RL_mm,RR_mm\r\n"


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--vehicles", type=int)
    parser.add_argument("--by-time", action="store_true")
    parser.add_argument("--verify", action="store_true")
    parser.add_argument("--work", nargs=2, type=uuid.UUID, help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.work:
        return _work(*options.work)
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    outbox.hint = _no_hint
    with running_database(data_folder()), copied_database(data_folder(), "imports") as name:
        connection.settings_dict["NAME"] = name
        try:
            good = _measure(options, name)
        finally:
            connection.close()
    return 0 if good else 1


def _no_hint(workshop_id: uuid.UUID, item_id: uuid.UUID) -> None:
    """There is no worker."""


def _measure(options: argparse.Namespace, name: str) -> bool:
    site = make_site()
    vehicles = options.vehicles or max(options.rows // CHECKS_A_VEHICLE, 1)
    vins, serial = _furnished(site, vehicles)
    with tempfile.TemporaryFile() as file:
        _write(file, options.rows, vins, serial, by_time=options.by_time)
        _say(f"{options.rows} checks of {vehicles} vehicles, {file.tell() / 1e6:.0f} MB")
        run = _begun(site, file)
    began = time.monotonic()
    _worker(site, run, name)
    took = time.monotonic() - began
    with in_workshop(site.workshop.pk):
        done = Import.objects.get(pk=run.pk)
    _say(f"{done.state}: {done.accepted} accepted, {done.rejected} rejected")
    _say(f"import: {took:.1f} s, {options.rows / took:.0f} rows a second")
    copied = _bare_copy(site, name)
    _say(f"bare COPY of the same rows: {copied:.2f} s; ratio {took / copied:.0f}")
    return done.accepted == options.rows and (not options.verify or _is_verified(site))


def _furnished(site: Site, vehicles: int) -> tuple[list[str], str]:
    """VINs of as many vehicles, and a tape's serial number."""
    model, operator = site.specification().vehicle_model, site.operator()
    vins = [new_vin() for _ in range(vehicles)]
    for first in range(0, vehicles, 500):
        with in_workshop(site.workshop.pk):
            for vin in vins[first : first + 500]:
                vehicle_add(
                    actor=site.setting_up(), record_id=new_id(), vin=vin, vehicle_model=model.pk, operator=operator.pk
                )
    tape = site.instrument(calibrated_on=FIRST.date(), calibration_due_on=FIRST.date() + timedelta(days=4000))
    return vins, tape.serial


def _write(file: IO[bytes], rows: int, vins: list[str], serial: str, *, by_time: bool) -> None:
    file.write(HEADINGS.encode())
    for number in range(rows):
        vin, visit = _place(number, rows, len(vins), by_time=by_time)
        at = (FIRST + timedelta(days=20 * visit + vin % 20, minutes=vin % 480)).isoformat()
        off = (number * 37 % 121 - 60) / 20
        heights = ",".join(f"{target + off:.1f}" for target in (486, 486.5, 504, 503.5))
        file.write(f"{vins[vin]},{at},{at},{1000 + 900 * visit},{serial},as_specified,{heights}\r\n".encode())


def _place(number: int, rows: int, vehicles: int, *, by_time: bool) -> tuple[int, int]:
    """Which vehicle, and at which visit."""
    if by_time:
        return number % vehicles, number // vehicles
    each = -(-rows // vehicles)
    return number // each, number % each


def _begun(site: Site, file: IO[bytes]) -> Import:
    with in_workshop(site.workshop.pk):
        actor = site.manager.actor(timezone.now())
        kept = import_file_keep(actor=actor, name="checks.csv", content=file)
        return import_begin(actor=actor, record_id=new_id(), file=kept, kind="checks", columns={})


def _worker(site: Site, run: Import, name: str) -> None:
    environment = {**os.environ, **database_environment(data_folder(), name)}
    command = [sys.executable, "-m", "tests.campaigns.import_time", "--work", str(site.workshop.pk), str(run.pk)]
    subprocess.run(command, cwd=CHECKOUT, env=environment, check=True)


def _work(workshop_id: uuid.UUID, import_id: uuid.UUID) -> int:
    """What a worker does, until the import has ended."""
    outbox.hint = _no_hint
    before = _most_memory()
    while items := _due(workshop_id, import_id):
        for each in items:
            if not outbox.perform(workshop_id, each):
                return 1
    server = _server_seconds()
    _say(f"worker: {time.process_time():.1f} s of its processor, {server:.1f} s of the database's")
    _say(f"most memory: {_most_memory():.0f} MB (ru_maxrss), {before:.0f} MB before the first row")
    return 0


def _due(workshop_id: uuid.UUID, import_id: uuid.UUID) -> list[uuid.UUID]:
    with in_workshop(workshop_id):
        waiting = OutboxItem.objects.filter(kind=GO_ON_KIND, state="waiting", payload={"import": str(import_id)})
        return list(waiting.values_list("pk", flat=True))


def _most_memory() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _server_seconds() -> float:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        process = cursor.fetchone()[0]
    return float(Path(f"/proc/{process}/schedstat").read_text(encoding="ascii").split()[0]) / 1e9


def _bare_copy(site: Site, name: str) -> float:
    """Seconds that the database takes to take in the same rows by COPY."""
    owner = database_environment(data_folder(), name)["DATABASE_OWNER_URL"]
    with psycopg.connect(owner) as into:
        return sum(_copied(site, table, into) for table in TABLES)


def _copy_out(site: Site, table: str, file: IO[bytes]) -> None:
    wanted = f"COPY (SELECT * FROM {table}) TO STDOUT (FORMAT BINARY)"  # noqa: S608
    with in_workshop(site.workshop.pk), connection.cursor() as cursor, cursor.copy(wanted) as copy:
        for block in copy:
            file.write(block)


def _copied(site: Site, table: str, into: psycopg.Connection) -> float:
    with tempfile.TemporaryFile() as file:
        _copy_out(site, table, file)
        file.seek(0)
        into.execute(f"CREATE TEMPORARY TABLE bare_{table} (LIKE {table})".encode())
        began = time.monotonic()
        with into.cursor() as cursor, cursor.copy(f"COPY bare_{table} FROM STDIN (FORMAT BINARY)".encode()) as copy:
            for block in _blocks(file):
                copy.write(block)
        return time.monotonic() - began


def _blocks(file: IO[bytes]) -> Iterator[bytes]:
    while block := file.read(1 << 20):
        yield block


def _is_verified(site: Site) -> bool:
    with superuser(), in_workshop(site.workshop.pk):
        checkpoint_make(actor=site.manager.actor(timezone.now()))
        found: Any = verify_workshop(site.workshop.pk)
    _say(f"{found}")
    return found.problem is None


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

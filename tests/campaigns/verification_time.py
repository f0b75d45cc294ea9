"""How long `verify_records` takes for a workshop with so many ledger entries.

    python -m tests.campaigns.verification_time [--entries 100000]

Fills a workshop through the services in a database of its own, copies the books of its vehicles with their rows
until there are so many entries (other ids, chained and hashed anew), takes them into the tree as the service does,
and verifies all of it. Prints seconds of the clock and of the processor, here and in the database (on a machine that
others use too only the latter can be compared), and the most memory that this process has taken.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import sys
import time
import uuid
from collections.abc import Iterator
from typing import Any

import django

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()

import psutil
from django.conf import settings
from django.db import connection
from django.utils import timezone

from deploy.embedded.folder import data_folder
from deploy.embedded.postgres import APP
from deploy.embedded.usage import running_database
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.ledger import FIRST_PREVIOUS_HASH, entry_hash
from fleet.models import LedgerEntry
from fleet.services import checkpoint_make
from fleet.tenancy import in_workshop
from fleet.verification import verify_workshop
from fleet.verification.rows import kept_models
from tests.campaigns.alterations.world import World, filled_workshop, superuser
from tests.database import copied_database

UUID_TEXT = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
BOOKS_AT_ONCE = 200


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--entries", type=int, default=100_000)
    options = parser.parse_args(arguments)
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with running_database(data_folder()), copied_database(data_folder(), "verification") as name:
        connection.settings_dict["NAME"] = name
        with superuser():
            good = _measure(filled_workshop(), options.entries)
        connection.close()
    return 0 if good else 1


def _measure(world: World, entries: int) -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        _drop_uniqueness(cursor)
    multiply(world, entries)
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = origin")
        cursor.execute("ANALYZE")
        cursor.execute("SELECT pg_backend_pid()")
        server = psutil.Process(cursor.fetchone()[0])
        with in_workshop(world.workshop_id):
            cursor.execute(f"SET LOCAL ROLE {APP}")
            _timed("taken into the tree", server, lambda: checkpoint_make(actor=_system(world)))
            before = psutil.Process().memory_info().rss
            result = _timed("verified", server, lambda: verify_workshop(world.workshop_id))
    _say(f"{result}")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    _say(f"memory before: {before / 2**20:.0f} MB, most: {most:.0f} MB")
    return result.problem is None and result.leaves == result.entries >= entries


def _system(world: World) -> Actor:
    return Actor.system(world.workshop_id, timezone.now())


def _timed(what: str, server: psutil.Process, call: Any) -> Any:
    began, own, of_server = time.monotonic(), time.process_time(), _processor_seconds(server)
    result = call()
    _say(
        f"{what}: {time.monotonic() - began:.1f} s by the clock; of the processor {time.process_time() - own:.1f} s "
        f"here and {_processor_seconds(server) - of_server:.1f} s in the database"
    )
    return result


def _processor_seconds(process: psutil.Process) -> float:
    times = process.cpu_times()
    return times.user + times.system


def multiply(world: World, entries: int) -> None:
    """Copy the vehicles' books until there are so many entries."""
    templates = [
        list(LedgerEntry.objects.filter(book=book).order_by("sequence"))
        for book in sorted(world.books())
        if book != world.workshop_id
    ]
    pairs = [(each, _rows_of(each)) for each in templates]
    pairs = [(each, rows) for each, rows in pairs if len(each) > 2 and not _names_others(each, templates)]
    made, copies, rows = len(world.entries), [], []
    while made < entries:
        for template, template_rows in pairs:
            other_ids: dict[str, str] = {}
            own = {str(row.pk) for row in template_rows} | {str(each.pk) for each in template}
            copies += list(_copied_book(template, own, other_ids))
            rows += [_copied_row(row, own, other_ids) for row in template_rows]
            made += len(template)
        if len(copies) > BOOKS_AT_ONCE * 10:
            _store(copies, rows)
            copies, rows = [], []
    _store(copies, rows)


def _names_others(template: list[LedgerEntry], all_of_them: list[list[LedgerEntry]]) -> bool:
    """A refiled job's rows are told of in two books; copies of one of them would not be whole."""
    own = {str(row.pk) for row in _rows_of(template)}
    foreign = {str(row.pk) for other in all_of_them if other is not template for row in _rows_of(other)}
    return bool(own & foreign)


def _rows_of(template: list[LedgerEntry]) -> list[Any]:
    told = {(label, row["id"]) for entry in template for label, rows in entry.payload["rows"].items() for row in rows}
    models = {model._meta.label_lower: model for model in kept_models()}
    found = [models[label]._base_manager.filter(pk=key).first() for label, key in sorted(told)]
    return [row for row in found if row is not None]


def _copied_book(template: list[LedgerEntry], own: set[str], other_ids: dict[str, str]) -> Iterator[LedgerEntry]:
    last_hash = FIRST_PREVIOUS_HASH
    for entry in template:
        copy = _copied_row(entry, own, other_ids)
        copy.previous_hash = last_hash
        last_hash = copy.hash = entry_hash(copy)
        yield copy


def _copied_row(row: Any, own: set[str], other_ids: dict[str, str]) -> Any:
    """The row with other ids wherever it names the book's own rows."""

    def other(text: str) -> str:
        return UUID_TEXT.sub(
            lambda found: other_ids.setdefault(found[0], str(new_id())) if found[0] in own else found[0], text
        )

    values: dict[str, Any] = {}
    for field in row._meta.concrete_fields:
        value = getattr(row, field.attname)
        if isinstance(value, uuid.UUID):
            value = uuid.UUID(other(str(value)))
        elif isinstance(value, dict | list):
            value = json.loads(other(json.dumps(value)))
        elif isinstance(value, str):
            value = other(value)
        values[field.attname] = value
    return type(row)(**values)


def _store(copies: list[LedgerEntry], rows: list[Any]) -> None:
    by_model: dict[type[Any], list[Any]] = {LedgerEntry: copies}
    for row in rows:
        by_model.setdefault(type(row), []).append(row)
    for model, some in by_model.items():
        model._base_manager.bulk_create(some, batch_size=1000)


def _drop_uniqueness(cursor: Any) -> None:
    """Copies have the numbers and VINs of what they are copied from."""
    cursor.execute(
        """
        SELECT format('DROP INDEX %s', i.indexrelid::regclass) FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid
        WHERE i.indisunique AND NOT i.indisprimary AND c.relnamespace = 'public'::regnamespace
          AND NOT EXISTS (SELECT FROM pg_constraint k WHERE k.conindid = i.indexrelid)
        UNION ALL
        SELECT format('ALTER TABLE %s DROP CONSTRAINT %I', k.conrelid::regclass, k.conname) FROM pg_constraint k
        WHERE k.contype = 'u' AND k.connamespace = 'public'::regnamespace AND k.conname NOT LIKE '%\\_id\\_key'
          AND k.conrelid::regclass::text NOT LIKE 'fleet\\_ledger%'
        """
    )
    for (statement,) in cursor.fetchall():
        cursor.execute(statement)


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

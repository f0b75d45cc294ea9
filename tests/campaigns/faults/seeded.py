"""Faults for negative controls: each is what a plausible mistake in the service would do.

A service started with `seeded_settings` has them at hand; one is on while the data folder's file `seeded-faults`
names it. The campaigns' checks must find each of them.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from django.apps import AppConfig
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import OperationalError, connection, transaction

FILE: Final = "seeded-faults"
APART_S: Final = 0.2
HELD_S: Final = 10.0
"""Far longer than whoever is to kill takes to see that something is held."""

Patch = Callable[[], None]
_patches: list[Patch] = []


class SeededFaults(AppConfig):
    """Puts every fault in place, switched off."""

    name = "tests.campaigns.faults"
    label = "seeded_faults"

    def ready(self) -> None:
        for patch in _patches:
            patch()


def switched_on() -> set[str]:
    path = Path(os.environ["LEVELBOOK_DATA"]) / FILE
    return set(path.read_text().split()) if path.exists() else set()


@contextmanager
def switch_on(data: Path, *names: str) -> Iterator[None]:
    """Let the service of this data folder have these faults for the time of the block."""
    path = data / FILE
    unfinished = path.with_suffix(".unfinished")
    unfinished.write_text(" ".join(names))
    unfinished.replace(path)
    try:
        yield
    finally:
        path.unlink()


def held(what: str, *which: Any) -> str:
    """Name of the file in the data folder that says that this piece of work is held, half done."""
    return "-".join(("held", what, *map(str, which)))


def _hold(name: str) -> None:
    """Only once, so that what is taken up again is not held again."""
    marker = Path(os.environ["LEVELBOOK_DATA"]) / name
    if not marker.exists():
        marker.touch()
        time.sleep(HELD_S)


def _seeded(patch: Patch) -> Patch:
    _patches.append(patch)
    return patch


def _instead(place: Any, name: str, fault: str, other: Callable[..., Any]) -> None:
    """While the fault is on, calls of `place.name` go to `other`, which gets the original as its first argument."""
    original = getattr(place, name)

    def call(*args: Any, **options: Any) -> Any:
        return other(original, *args, **options) if fault in switched_on() else original(*args, **options)

    setattr(place, name, call)


@_seeded
def commit_not_awaited() -> None:
    """201 before the commit is on disk."""
    from fleet.tenancy import context

    def careless(original: Callable[..., None], workshop_id: Any) -> None:
        original(workshop_id)
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL synchronous_commit = off")

    _instead(context, "_set_database_workshop", "commit_not_awaited", careless)


@_seeded
def ids_not_taken() -> None:
    """A client's id is not looked up before the step is carried out."""
    from fleet import receipts

    _instead(receipts, "_take", "ids_not_taken", lambda *_args: True)


@_seeded
def ledger_apart() -> None:
    """The ledger entry is written in a transaction of its own, after the step's."""
    from fleet import ledger
    from fleet.tenancy import in_workshop

    def later(original: Callable[..., Any], actor: Any, kind: str, record: Any, **options: Any) -> None:
        rows: Iterable[Any] = list(options.pop("rows", ()))

        def write() -> None:
            time.sleep(APART_S)
            with in_workshop(actor.workshop_id):
                original(actor, kind, record, rows=rows, **options)

        transaction.on_commit(write)

    _instead(ledger, "append", "ledger_apart", later)


@_seeded
def completed_before_done() -> None:
    """A worker marks its work done when it takes it."""
    from fleet import outbox
    from fleet.tenancy import in_workshop

    def claim(original: Callable[..., Any], *which: Any) -> Any:
        item = original(*which)
        if item is not None:
            with in_workshop(which[0]):
                outbox._finish(item)
        return item

    _instead(outbox, "_claim", "completed_before_done", claim)
    _instead(outbox, "_still_ours", "completed_before_done", lambda *_args: True)


@_seeded
def messages_trusted() -> None:
    """No sweep: what the broker loses is lost."""
    from fleet import outbox

    _instead(outbox, "due", "messages_trusted", lambda *_args, **_options: [])


@_seeded
def broker_needed() -> None:
    """A hint that cannot be sent is an error of the request."""
    from fleet import outbox
    from fleet.tasks import perform_outbox_item

    def hint(_original: Callable[..., None], workshop_id: Any, item_id: Any) -> None:
        perform_outbox_item.apply_async((str(workshop_id), str(item_id)), retry=False, ignore_result=True)

    _instead(outbox, "hint", "broker_needed", hint)


@_seeded
def broker_awaited() -> None:
    """A hint is sent however long the broker takes."""
    from fleet import outbox

    def hint(_original: Callable[..., None], workshop_id: Any, item_id: Any) -> None:
        from deploy.celery import app

        with app.connection_for_write(transport_options={}) as patient:
            arguments = (str(workshop_id), str(item_id))
            app.send_task("fleet.tasks.perform_outbox_item", arguments, connection=patient, retry=False)

    _instead(outbox, "hint", "broker_awaited", hint)


@_seeded
def outage_not_told() -> None:
    """A database that is away is an error like any other."""
    from fleet.api import problem_handlers, problems

    def silent(original: Callable[..., Any], error: Exception, **options: Any) -> Any:
        return None if isinstance(error, OperationalError) else original(error, **options)

    for place in (problems, problem_handlers):
        _instead(place, "problem_for_exception", "outage_not_told", silent)


@_seeded
def never_parked() -> None:
    """Work that fails is tried for ever."""
    from fleet import outbox

    def try_again(_original: Callable[..., None], item: Any, error: str) -> None:
        item.leased_until = None
        item.save(update_fields=["leased_until"])

    _instead(outbox, "_park", "never_parked", try_again)


@_seeded
def versions_not_compared() -> None:
    """A change is stored whatever version its sender had read."""
    from fleet.errors import StaleVersion

    _instead(StaleVersion, "raise_unless", "versions_not_compared", lambda *_args, **_options: None)


@_seeded
def jobs_not_locked() -> None:
    """Two steps in one job are carried out side by side."""
    from calibration.selectors.jobs import job_for
    from calibration.services import step

    def unlocked(_original: Callable[..., Any], actor: Any, job_id: Any, _permission: Any) -> Any:
        job = job_for(actor, job_id)
        time.sleep(APART_S)
        return job

    _instead(step, "locked_job", "jobs_not_locked", unlocked)


@_seeded
def slow_drawing() -> None:
    """No fault, but time to kill a worker in the middle of a certificate."""
    from reports.services import certificates

    def slowly(original: Callable[..., Any], actor: Any, certificate: Any, *args: Any) -> Any:
        _hold(held("drawing", certificate.job_id))
        return original(actor, certificate, *args)

    _instead(certificates, "_drawn", "slow_drawing", slowly)


@_seeded
def slow_storing() -> None:
    """No fault, but time to kill a web process in the middle of storing a photo."""

    def slowly(_original: Callable[..., Iterator[bytes]], file: ContentFile[bytes], *_size: int) -> Iterator[bytes]:
        content = file.read()
        yield content[: len(content) // 2]
        _hold(held("storing", hashlib.sha256(content).hexdigest()))
        yield content[len(content) // 2 :]

    _instead(ContentFile, "chunks", "slow_storing", slowly)


@_seeded
def half_photo_kept() -> None:
    """A picture is written under the name that its hash gives, and what has that name is taken for the picture."""
    from calibration.services import photos

    def keep(_original: Callable[..., str], path: str, content: bytes) -> str:
        return path if default_storage.exists(path) else default_storage.save(path, ContentFile(content))

    _instead(photos, "picture_keep", "half_photo_kept", keep)


@_seeded
def photo_later() -> None:
    """The row is committed before its picture is stored."""
    from calibration.services import photos

    def keep(original: Callable[..., str], path: str, content: bytes) -> str:
        transaction.on_commit(lambda: original(path, content))
        return path

    _instead(photos, "picture_keep", "photo_later", keep)


@_seeded
def slow_import() -> None:
    """No fault, but time to kill a worker that has the rows of an import's piece in the database and has not committed.

    The first piece of each phase is held, and a file says so.
    """
    from reports.services import import_running

    def slowly(original: Callable[..., None], run: Any, outcome: Any) -> None:
        _hold(held("import", run.pk, run.phase))
        original(run, outcome)

    _instead(import_running, "_note", "slow_import", slowly)


@_seeded
def rows_committed_first() -> None:
    """The rows of an import's piece are committed before the place where the next one begins is noted."""
    from reports.services import import_running

    def commit(original: Callable[..., None], *args: Any) -> None:
        connection.connection.commit()
        original(*args)

    _instead(import_running, "_note", "rows_committed_first", commit)

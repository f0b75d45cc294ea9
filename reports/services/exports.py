"""Exports: asked for by a manager, made in the background, kept for some days and then cleared away."""

from __future__ import annotations

import hashlib
import os
import uuid
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import IO, Final

from django.conf import settings
from django.core.files.storage import default_storage
from django.utils.translation import gettext_lazy as _

from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.errors import Conflict, NotFound
from fleet.permissions import Permission, require
from fleet.services import checkpoint_make

from ..archive.filling import archive_write
from ..models import Export
from ..selectors.archives import State, export_for, export_path, state_of_work

MAKE_KIND: Final = "reports.export_make"
CLEAR_KIND: Final = "reports.export_clear"
UNFINISHED: Final = ".unfinished"


def export_request(*, actor: Actor, record_id: uuid.UUID) -> Export:
    """Ask for an archive of the whole workshop as it is when the work begins. One at a time."""
    require(actor, Permission.SET_UP)
    for other in Export.objects.filter(made_at=None):
        if state_of_work(MAKE_KIND, "export", other.pk) in (State.QUEUED, State.RUNNING):
            raise Conflict(
                _("An export of this workshop is being made already. Wait until it is done."), code="export_running"
            )
    export = Export.objects.create(id=record_id, requested_by_id=actor.membership_id, requested_at=actor.now)
    ledger.append(actor, "export_requested", export)
    checkpoint_make(actor=actor)  # so that a signed head includes what the archive holds
    outbox.append(actor, MAKE_KIND, {"export": str(export.pk)})
    return export


def export_make(*, actor: Actor, export_id: uuid.UUID) -> None:
    """Write the archive; whatever was killed before is begun anew. The file has its name once it is whole.

    The running transaction sees one state of the database. The row says so in the transaction that completes the
    item, and no other step changes it.
    """
    export = Export.objects.filter(pk=export_id, made_at=None).first()
    if export is None:
        return
    path = Path(default_storage.path(export_path(export)))
    path.parent.mkdir(parents=True, exist_ok=True, mode=settings.FILE_UPLOAD_DIRECTORY_PERMISSIONS)
    unfinished = path.with_name(path.name + UNFINISHED)
    try:
        with open(unfinished, "wb", opener=_private) as file:
            manifest = archive_write(file, workshop_id=actor.workshop_id, now=actor.now)
            file.flush()
            os.fsync(file.fileno())
        sha256, size = sha256_of_file(unfinished), unfinished.stat().st_size
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    export.made_at, export.expires_at = actor.now, actor.now + timedelta(days=settings.EXPORT_DAYS)
    export.size, export.sha256, export.counts = size, sha256, manifest.counts
    export.missing = len(manifest.missing)
    export.save()
    outbox.append(actor, CLEAR_KIND, {"export": str(export.pk)}, due_at=export.expires_at)


def export_clear(*, actor: Actor, export_id: uuid.UUID) -> None:
    """Remove the file of an export that was kept long enough. May be repeated."""
    export = Export.objects.filter(pk=export_id, made_at__isnull=False, cleared_at=None).first()
    if export is None:
        return
    with suppress(FileNotFoundError):
        Path(default_storage.path(export_path(export))).unlink()
    export.cleared_at = actor.now
    export.save(update_fields=["cleared_at"])


def export_file(*, actor: Actor, export_id: uuid.UUID) -> tuple[Export, IO[bytes]]:
    """The archive, open to be read."""
    export = export_for(actor, export_id)
    if export.made_at is None:
        raise Conflict(_("The export is not made yet. Ask again shortly."), code="export_not_made")
    try:
        if export.cleared_at is not None:
            raise FileNotFoundError
        return export, default_storage.open(export_path(export))
    except FileNotFoundError:
        raise NotFound(_("The file was cleared away. Ask for a new export.")) from None


def sha256_of_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)

"""Archives that are handed in: an empty workshop takes one in, whole or not at all."""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any, Final

from django.conf import settings
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils import translation
from django.utils.translation import gettext as _

from calibration.models import Job
from calibration.models.job import OPEN_STATES
from calibration.services.repeatability import learn_all_anew
from calibration.services.responses import posterior_renew
from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.errors import Conflict, Invalid, NotFound
from fleet.models import Membership, Operator, OutboxItem, TenantModel, Vehicle, Workshop
from fleet.permissions import Permission, require
from fleet.services.vehicle_models import later_revisions_await

from ..archive.members import ArchiveError, Manifest
from ..archive.old_ledger import verify_ledger
from ..archive.opening import Archive
from ..archive.replaying import Replay
from ..archive.rows_in import pictures_take_in, rows_take_in
from ..models import ArchiveIntake, Certificate
from ..selectors.archives import archive_path, evidence_path, what_is_there
from . import alerts, certificates, sweep
from .exports import sha256_of_file

TAKE_IN_KIND: Final = "reports.archive_take_in"
VEHICLE_KIND: Final = "reports.vehicle_taken_in"
BLOCK: Final = 1_048_576
ROWS_AN_ENTRY: Final = 500
LONGEST_ERROR: Final = 300
ENDED_BY_HAND: Final = ("failed", "cancelled")


def archive_hand_in(*, actor: Actor, record_id: uuid.UUID, file: IO[bytes], most: int) -> ArchiveIntake:
    """Keep an archive and ask for its intake. What is no archive, and a workshop with records, are refused at once."""
    require(actor, Permission.SET_UP)
    _require_empty()
    intake = ArchiveIntake(id=record_id, handed_in_by_id=actor.membership_id, handed_in_at=actor.now)
    intake.workshop_id = actor.workshop_id
    path = Path(default_storage.path(archive_path(intake)))
    path.parent.mkdir(parents=True, exist_ok=True, mode=settings.FILE_UPLOAD_DIRECTORY_PERMISSIONS)
    intake.sha256, intake.size = _copy(file, path, most)
    try:
        with path.open("rb") as kept, Archive.opened(kept, largest=settings.ARCHIVE_LARGEST_BYTES) as archive:
            intake.source = _source(archive.manifest)
        intake.save(force_insert=True)
        ledger.append(actor, "archive_handed_in", intake)
        outbox.append(actor, TAKE_IN_KIND, {"archive": str(intake.pk)})
    except ArchiveError as error:
        path.unlink()
        raise Invalid.at("/file", error.code, error.detail) from None
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return intake


def archive_take_in(*, actor: Actor, intake_id: uuid.UUID) -> None:
    """All of the archive, or nothing of it and why. Begun anew where it was killed: nothing of it was committed.

    Nobody else records anything in the workshop meanwhile: what is recorded first makes it one that is not empty.
    """
    ledger.keep_others_out(actor.workshop_id)
    intake = ArchiveIntake.objects.filter(pk=intake_id, state=ArchiveIntake.State.WAITING).first()
    if intake is None:
        return
    workshop = Workshop.objects.select_for_update(no_key=True).get(pk=actor.workshop_id)
    path = Path(default_storage.path(archive_path(intake)))
    try:
        with transaction.atomic(), translation.override(workshop.language):
            _take_in(actor, intake, path)
    except ArchiveError as error:
        intake.state, intake.refusal = ArchiveIntake.State.REFUSED, error.as_dict()
        intake.evidence_sha256 = ""
    intake.finished_at = actor.now
    intake.save()
    transaction.on_commit(lambda: path.unlink(missing_ok=True))


def archive_cancel(*, actor: Actor, intake_id: uuid.UUID) -> ArchiveIntake:
    """End an intake that waits or failed in every attempt, with its reason; nothing of it was taken in."""
    require(actor, Permission.SET_UP)
    intake = ArchiveIntake.objects.select_for_update().filter(pk=intake_id).first()
    if intake is None:
        raise NotFound
    if intake.state == ArchiveIntake.State.REFUSED and intake.refusal["code"] in ENDED_BY_HAND:
        return intake
    if intake.state != ArchiveIntake.State.WAITING:
        raise Conflict(_("What came of this archive is settled. There is nothing to end."), code="archive_settled")
    intake.state, intake.finished_at = ArchiveIntake.State.REFUSED, actor.now
    intake.refusal = _why_it_ended(actor, intake).as_dict()
    intake.save()
    ledger.append(actor, "archive_cancelled", intake)
    path = Path(default_storage.path(archive_path(intake)))
    transaction.on_commit(lambda: path.unlink(missing_ok=True))
    return intake


def _why_it_ended(actor: Actor, intake: ArchiveIntake) -> ArchiveError:
    """Takes its item out of the outbox, which a worker that takes the archive in this moment holds."""
    mine = OutboxItem.objects.filter(kind=TAKE_IN_KIND, payload__contains={"archive": str(intake.pk)})
    item = mine.select_for_update(skip_locked=True).first()
    if item is None and mine.exists():
        detail = _("It is being taken in this very moment and cannot be ended any more. Look again in a minute.")
        raise Conflict(detail, code="being_taken_in")
    error = item.error if item is not None and item.state == OutboxItem.State.PARKED else ""
    if item is not None:
        item.state, item.finished_at, item.leased_until = OutboxItem.State.DONE, actor.now, None
        item.save(update_fields=["state", "finished_at", "leased_until"])
    if error:
        detail = _("It failed in every attempt (%(error)s) and was ended by hand. Nothing of it was taken in.")
        return ArchiveError("failed", detail % {"error": error[:LONGEST_ERROR]})
    return ArchiveError("cancelled", _("It was ended by hand before anything of it was taken in."))


def vehicle_derive(*, actor: Actor, vehicle_id: uuid.UUID) -> None:
    """Make anew what is derived from a vehicle's records. May be repeated."""
    if not Vehicle.objects.select_for_update(no_key=True).filter(pk=vehicle_id).exists():
        return
    posterior_renew(vehicle_id=vehicle_id, now=actor.now)
    alerts.vehicle_evaluate(actor=actor, vehicle_id=vehicle_id)
    sweep.sweep_plan(actor=actor)


def _take_in(actor: Actor, intake: ArchiveIntake, path: Path) -> None:
    if sha256_of_file(path) != intake.sha256:
        raise ArchiveError("altered", _("The file is not the one that was handed in. Hand it in again."))
    if what_is_there():
        raise ArchiveError("not_empty", str(_not_empty()))
    with path.open("rb") as file, Archive.opened(file, largest=settings.ARCHIVE_LARGEST_BYTES) as archive:
        archive.verify()
        head = verify_ledger(archive)
        accounts = rows_take_in(archive, actor.workshop_id)
        replay = Replay(archive, workshop_id=actor.workshop_id, intake_id=intake.pk, accounts=accounts)
        replay.run()
        replay.compare()
        intake.evidence_sha256 = _keep_evidence(archive, intake)
        intake.state = ArchiveIntake.State.DONE
        facts = {
            "source": intake.source,
            "evidence_sha256": intake.evidence_sha256,
            "entries": replay.entries,
            "head": head.text if head else None,
        }
        _tell(actor, intake, facts)
        _ask_for_what_follows(actor)
        pictures_take_in(archive, actor.workshop_id)


def _tell(actor: Actor, intake: ArchiveIntake, facts: dict[str, Any]) -> None:
    """The ledger's entries of the rows that are others here than the old ledger says."""
    rows: list[TenantModel] = [*Membership.objects.order_by("pk"), *Operator.objects.order_by("pk"), *learn_all_anew()]
    ledger.append(actor, "archive_taken_in", intake, rows=_with_workshop(rows[:ROWS_AN_ENTRY]), facts=facts)
    for start in range(ROWS_AN_ENTRY, len(rows), ROWS_AN_ENTRY):
        ledger.append(actor, "archive_taken_in", intake, rows=rows[start : start + ROWS_AN_ENTRY])


def _with_workshop(rows: Iterable[TenantModel]) -> Iterator[Any]:
    yield Workshop.objects.get()
    yield from rows


def _ask_for_what_follows(actor: Actor) -> None:
    """Background work that the old workshop would still have done, and what is derived."""
    for certificate_id in Certificate.objects.filter(state="preparing").values_list("pk", flat=True):
        outbox.append(actor, certificates.ISSUE_KIND, {"certificate": str(certificate_id)})
    closed = Job.objects.exclude(state__in=OPEN_STATES)
    bare = closed.exclude(Exists(Certificate.objects.filter(job=OuterRef("pk"))))
    for job_id, state in bare.values_list("pk", "state"):
        kind = "calibration.job_signed_off" if state == Job.State.SIGNED_OFF else "calibration.job_ended"
        outbox.append(actor, kind, {"job": str(job_id)})
    later_revisions_await(actor=actor)
    for vehicle_id in Vehicle.objects.order_by("pk").values_list("pk", flat=True).iterator():
        outbox.append(actor, VEHICLE_KIND, {"vehicle": str(vehicle_id)})


def _keep_evidence(archive: Archive, intake: ArchiveIntake) -> str:
    path = Path(default_storage.path(evidence_path(intake)))
    with path.open("wb") as target:
        archive.ledger_only(target)
        target.flush()
        os.fsync(target.fileno())
    return sha256_of_file(path)


def _source(manifest: Manifest) -> dict[str, Any]:
    names = ("workshop_id", "workshop", "made_at", "made_by", "epoch", "origin", "counts")
    return {name: getattr(manifest, name) for name in names}


def _copy(file: IO[bytes], path: Path, most: int) -> tuple[str, int]:
    """Into the file store; gives SHA-256 and size."""
    digest, size = hashlib.sha256(), 0
    try:
        with path.open("wb") as target:
            while block := file.read(BLOCK):
                size += len(block)
                if size > most:
                    raise Invalid.at("/file", "too_large", _too_large(most))
                digest.update(block)
                target.write(block)
            target.flush()
            os.fsync(target.fileno())
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return digest.hexdigest(), size


def _too_large(most: int) -> str:
    text = _("The file has more than %(most)s bytes. Whoever runs the service can take it in on its machine.")
    return text % {"most": most}


def _require_empty() -> None:
    if what_is_there() or ArchiveIntake.objects.exclude(state=ArchiveIntake.State.REFUSED).exists():
        raise Conflict(_not_empty(), code="not_empty")


def _not_empty() -> str:
    return _(
        "An archive is taken in by an empty workshop only, and this one has records, or an archive waits to be taken "
        "in. Make a new workshop for it."
    )

"""Photos: location removed, bytes kept in the file store under their hash, the hash in the ledger."""

from __future__ import annotations

import hashlib
import os
import struct
import uuid
from contextlib import suppress
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import IO, Any, Final

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.utils.translation import gettext as _
from PIL import Image, ImageOps, UnidentifiedImageError

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Invalid, NotFound
from fleet.permissions import Permission, require

from ..models import HeightCheckPhoto, Photo, Round, Write
from ..rules.arrivals import of_arrival
from ..rules.finding_kinds import Arrival
from ..selectors.height_checks import visible_height_checks
from ..selectors.jobs import visible_jobs
from .step import JobStep

FOLDER: Final = "photos"
UNFINISHED: Final = ".unfinished"
"""How a file is called until it is whole."""
ABANDONED_AFTER: Final = timedelta(hours=1)
"""Far longer than a file is written."""
PIXELS_AT_MOST = 60_000_000
UNREADABLE: Final = (
    UnidentifiedImageError,
    Image.DecompressionBombError,
    ArithmeticError,
    LookupError,
    OSError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
)
"""What the library raises over a damaged picture or damaged data about it."""
FORMATS = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}


def photo_add(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    file: IO[bytes],
    round_id: uuid.UUID | None = None,
    write_id: uuid.UUID | None = None,
) -> Photo:
    """Keep a picture that belongs to a round or a write."""
    rows: type[Round] | type[Write] = Round if round_id else Write
    shown_id = round_id or write_id
    assert shown_id is not None  # a picture belongs to one of them
    job_id = rows.objects.filter(pk=shown_id, job__in=visible_jobs(actor)).values_list("job", flat=True).first()
    if job_id is None:
        raise NotFound
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    before = step.case.record
    kept = _kept_picture(actor, file)
    photo = step.add(Photo(id=record_id, **step.common(), round_id=round_id, write_id=write_id, **kept))
    step.raise_findings(of_arrival(before, Arrival("photo", photo.pk, actor.now, actor.now)))
    step.conclude("photo_added", photo)
    return photo


def check_photo_add(*, actor: Actor, record_id: uuid.UUID, check_id: uuid.UUID, file: IO[bytes]) -> HeightCheckPhoto:
    """Keep a picture that belongs to a height check."""
    check = visible_height_checks(actor).filter(pk=check_id).first()
    if check is None:
        raise NotFound
    require(actor, Permission.RECORD_CHECKS)
    photo = HeightCheckPhoto.objects.create(
        id=record_id,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
        height_check=check,
        **_kept_picture(actor, file),
    )
    ledger.append(actor, "check_photo_added", photo, vehicle=check.vehicle)
    return photo


def _kept_picture(actor: Actor, file: IO[bytes]) -> dict[str, Any]:
    """The columns of a picture that was put into the file store."""
    content, media_type = without_metadata(file)
    digest = hashlib.sha256(content).hexdigest()
    path = picture_keep(path_of_picture(actor.workshop_id, digest), content)
    return {"sha256": digest, "media_type": media_type, "size": len(content), "path": path}


def path_of_picture(workshop_id: uuid.UUID, sha256: str) -> str:
    """Where a picture lies in the file store."""
    return f"{FOLDER}/{workshop_id}/{sha256[:2]}/{sha256}"


def picture_keep(path: str, content: bytes) -> str:
    """Store a picture under its hash, which names it only once it is whole and on disk, whatever is killed when."""
    if not default_storage.exists(path):
        unfinished = default_storage.save(f"{path}{UNFINISHED}", ContentFile(content))
        target = Path(default_storage.path(path))
        _flush(Path(default_storage.path(unfinished)))
        Path(default_storage.path(unfinished)).replace(target)
        _flush(target.parent)
    return path


def abandoned_files_remove(*, now: datetime) -> int:
    """Remove what killed processes left of pictures; how many files. The records never named them."""
    removed = 0
    for file in Path(default_storage.path(FOLDER)).glob(f"*/*/*{UNFINISHED}"):
        with suppress(FileNotFoundError):  # whole in the meantime, under its own name
            if file.stat().st_mtime < (now - ABANDONED_AFTER).timestamp():
                file.unlink()
                removed += 1
    return removed


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def without_metadata(file: IO[bytes]) -> tuple[bytes, str]:
    """The picture alone, turned upright: encoded again, so that place, time and device are gone."""
    try:
        with Image.open(file, formats=tuple(FORMATS)) as image:
            # Telephones put a second view into the file; the first is the picture, an ordinary JPEG.
            kind = "JPEG" if image.format in (None, "MPO") else image.format
            if image.width * image.height > PIXELS_AT_MOST:
                raise _no_picture(_("The picture has more than 60 million pixels. Send a smaller one."))
            upright = ImageOps.exif_transpose(image)
            clean = upright.convert("RGB") if kind == "JPEG" else upright.copy()
    except UNREADABLE as error:
        raise _no_picture(_("This is no picture that can be read. Send JPEG, PNG or WebP.")) from error
    clean.info.clear()
    buffer = BytesIO()
    clean.save(buffer, format=kind, quality=88)
    return buffer.getvalue(), FORMATS[kind]


def _no_picture(detail: str) -> Invalid:
    return Invalid.at("/file", "not_an_image", detail)

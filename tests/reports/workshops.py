"""A workshop with something of everything that an archive holds, and a second installation to bring it to."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import uuid
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import IO, Any, Final

from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import override_settings
from django.utils import timezone
from PIL import Image

from calibration.models import HeightCheck, Round
from calibration.services.height_checks import height_check_record
from calibration.services.photos import check_photo_add, photo_add
from deploy.embedded.folder import data_folder
from fleet import outbox, services
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import ArchiveIntake, Export
from reports.services.archives import archive_hand_in
from reports.services.exports import export_request
from tests.database import connected_to, copied_database
from tests.factories import PASSWORD, Person, Site, make_site
from tests.reports.jobs import CORNERS, WITHIN, adjusted, ended, left_alone

AWKWARD: Final = '=HYPERLINK("http://x")\n"quoted", \'tis, ß, 漢字'
MOST: Final = 100_000_000
ARCHIVES: Final = "/api/v1/archives/"


@dataclass(frozen=True)
class Busy:
    """A workshop and its archive."""

    site: Site
    file: Path


def busy_site() -> Site:
    """Jobs of every end, a certificate and its replacement, checks, photos, tyres, events, people of every role."""
    site = make_site(began_at=timezone.now() - timedelta(days=5))
    contact = site.operator(name=AWKWARD[:20], email="")
    site.person("operator_contact", operator=contact.pk)
    site.person("auditor", name="+Ada 'Lovelace'")
    site.bay(name="@home")
    bench = adjusted(site)
    with in_workshop(site.workshop.pk):
        first = Round.objects.filter(job=bench.job).first()
        assert first is not None
        photo_add(actor=bench.actor(), record_id=new_id(), file=picture("red"), round_id=first.pk)
    left_alone(site)
    ended(site)
    site.fitment(bench.vehicle)
    check = _check(site, bench.vehicle)
    with in_workshop(site.workshop.pk):
        check_photo_add(actor=site.manager.actor(), record_id=new_id(), check_id=check.pk, file=picture("blue"))
        services.event_record(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle=bench.vehicle,
            kind="other",
            happened_at=timezone.now(),
            note=AWKWARD,
        )
    perform_due(site.workshop.pk)
    return site


def _check(site: Site, vehicle: Any) -> HeightCheck:
    readings = [
        {"corner": corner, "height_mm": height + Decimal(2)} for corner, height in zip(CORNERS, WITHIN, strict=True)
    ]
    with in_workshop(site.workshop.pk):
        return height_check_record(
            actor=site.technician.actor(),
            record_id=new_id(),
            vehicle=vehicle,
            taken_at=timezone.now() - timedelta(hours=1),
            loading="as_specified",
            readings=readings,
            instrument=site.instrument(),
        )


def picture(colour: str) -> IO[bytes]:
    buffer = BytesIO()
    Image.new("RGB", (24, 16), colour).save(buffer, "JPEG")
    return SimpleUploadedFile("picture.jpg", buffer.getvalue(), "image/jpeg")


def perform_due(workshop_id: uuid.UUID, *kinds: str) -> list[str]:
    """Whatever is due of these kinds, or of all, until nothing is."""
    done: list[str] = []
    while True:
        with in_workshop(workshop_id):
            found = OutboxItem.objects.filter(state="waiting", due_at__lte=timezone.now()).order_by("created_at", "id")
            item = (found.filter(kind__in=kinds) if kinds else found).first()
        if item is None:
            return done
        assert outbox.perform(workshop_id, item.pk), (item.kind, error_of(item))
        done.append(item.kind)


def error_of(item: OutboxItem) -> str:
    with in_workshop(item.workshop_id):
        return OutboxItem.objects.get(pk=item.pk).error


def exported(site: Site) -> Path:
    """The file of an export that was asked for and made now."""
    with in_workshop(site.workshop.pk):
        export = export_request(actor=site.manager.actor(), record_id=new_id())
    perform_due(site.workshop.pk, "reports.export_make")
    with in_workshop(site.workshop.pk):
        assert Export.objects.get(pk=export.pk).made_at is not None
    return Path(settings.MEDIA_ROOT) / "exports" / str(site.workshop.pk) / f"{export.pk}.zip"


def posted(site: Site, content: bytes, **body: Any) -> Any:
    """What is answered to an archive that is handed in over HTTP."""
    file = SimpleUploadedFile("workshop.zip", content, "application/zip")
    return site.manager.client().post(ARCHIVES, {"file": file, **body}, format="multipart")


def handed_in(site: Site, file: Path) -> ArchiveIntake:
    with in_workshop(site.workshop.pk), file.open("rb") as content:
        return archive_hand_in(actor=site.manager.actor(), record_id=new_id(), file=content, most=MOST)


def taken_in(site: Site, file: Path) -> ArchiveIntake:
    """What came of an archive."""
    intake = handed_in(site, file)
    perform_due(site.workshop.pk, "reports.archive_take_in")
    with in_workshop(site.workshop.pk):
        return ArchiveIntake.objects.get(pk=intake.pk)


def empty_site(email: str | None = None) -> Site:
    """A workshop as it is founded."""
    number = new_id().hex[-8:]
    email = email or f"founder-{number}@example.com"
    now = timezone.now()
    founded = services.workshop_create(name=f"Founded {number}", email=email, password=PASSWORD, now=now)
    manager = Person(founded.manager, founded.token, email)
    return Site(founded.workshop, manager, manager, now)


Members = dict[str, bytes]


def tables_in(file: Path) -> dict[str, list[dict[str, str]]]:
    """The rows of every table of an archive, as a spreadsheet would have them."""
    return {
        name: list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))
        for name, content in members_of(file).items()
        if name.startswith("tables/")
    }


def members_of(file: Path) -> Members:
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def rewritten(members: Members, target: Path, *, manifest_too: bool = True) -> Path:
    """An archive of these members; with `manifest_too` by somebody who made the manifest anew."""
    told = json.loads(members["manifest.json"])
    if manifest_too:
        told["members"] = [
            {"name": name, "size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in members.items()
            if name != "manifest.json"
        ]
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in {**members, "manifest.json": json.dumps(told).encode()}.items():
            archive.writestr(name, content)
    return target


def system(site: Site) -> Actor:
    return Actor.system(site.workshop.pk, timezone.now())


@contextmanager
def another_installation(files: Path) -> Iterator[None]:
    """A second database with a file store of its own: ids and codes of the first are free in it."""
    with (
        override_settings(MEDIA_ROOT=files),
        copied_database(data_folder(), f"other_{new_id().hex[-8:]}") as name,
        connected_to(name),
    ):
        yield

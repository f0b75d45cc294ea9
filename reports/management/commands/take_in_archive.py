"""`manage.py take_in_archive --workshop ID FILE`: an empty workshop takes an archive in, at once, of any size."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fleet import outbox
from fleet.actor import Actor
from fleet.errors import Invalid, LevelbookError
from fleet.ids import new_id
from fleet.models import OutboxItem, Workshop
from fleet.tenancy import in_workshop

from ...models import ArchiveIntake
from ...services.archives import TAKE_IN_KIND, archive_hand_in


class Command(BaseCommand):
    help = (
        "Take the archive of another workshop into an empty one, whole or not at all; prints what came of it as JSON."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="the archive")
        parser.add_argument("--workshop", type=UUID, required=True, help="id of the empty workshop")

    def handle(self, *args: Any, file: Path, workshop: UUID, **options: Any) -> None:
        try:
            with in_workshop(workshop):
                item = _handed_in(file, workshop)
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error}") from None
        except Invalid as error:
            raise CommandError(" ".join(str(each.detail) for each in error.errors)) from None
        except LevelbookError as error:
            raise CommandError(str(error)) from None
        outbox.perform(workshop, item.pk)
        with in_workshop(workshop):
            intake = ArchiveIntake.objects.get(pk=item.payload["archive"])
            item = OutboxItem.objects.get(pk=item.pk)
        if intake.state != ArchiveIntake.State.DONE:
            raise CommandError(intake.refusal.get("detail") or f"It is not taken in yet: {item.error}")
        told = {"archive": str(intake.pk), "state": intake.state, "counts": intake.source["counts"]}
        self.stdout.write(json.dumps(told))


def _handed_in(file: Path, workshop: UUID) -> OutboxItem:
    if not Workshop.objects.filter(pk=workshop).exists():
        raise CommandError(f"There is no workshop {workshop}.")
    actor = Actor.system(workshop, timezone.now())
    with file.open("rb") as content:
        intake = archive_hand_in(actor=actor, record_id=new_id(), file=content, most=file.stat().st_size)
    return OutboxItem.objects.get(kind=TAKE_IN_KIND, payload__archive=str(intake.pk))

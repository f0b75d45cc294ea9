"""`manage.py export_workshop --workshop ID FILE`: the whole workshop as an archive, at once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fleet.models import Workshop
from fleet.tenancy import in_workshop

from ...archive.filling import archive_write


class Command(BaseCommand):
    help = "Write the whole workshop into a ZIP file: tables, certificates, pictures and the ledger."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="a file that does not exist yet")
        parser.add_argument("--workshop", type=UUID, required=True, help="id of the workshop")

    def handle(self, *args: Any, file: Path, workshop: UUID, **options: Any) -> None:
        unfinished = file.with_name(f"{file.name}.unfinished")
        if file.exists():
            raise CommandError(f"{file} exists already. Name a new file.")
        try:
            with open(unfinished, "wb", opener=_private) as target, in_workshop(workshop, one_snapshot=True):
                if not Workshop.objects.filter(pk=workshop).exists():
                    raise CommandError(f"There is no workshop {workshop}.")
                manifest = archive_write(target, workshop_id=workshop, now=timezone.now())
            unfinished.rename(file)
        except OSError as error:
            raise CommandError(f"{file} cannot be written: {error}") from None
        finally:
            unfinished.unlink(missing_ok=True)
        rows = sum(count for name, count in manifest.counts.items() if "." in name)
        self.stdout.write(f"{file}: {rows} rows, {manifest.counts['ledger_entries']} ledger entries.")
        for name in manifest.missing:
            self.stdout.write(f"missing from the file store: {name}")


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)

"""`manage.py backup DIR`"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from deploy.backup.making import BackupError, backup_make


class Command(BaseCommand):
    help = "Back up the database and all stored files into a new folder. Secrets are not part of a backup."

    # A backup must be possible whatever else is wrong.
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, help="a folder that does not exist yet")

    def handle(self, *args: Any, **options: Any) -> None:
        folder: Path = options["folder"].absolute()
        try:
            manifest = backup_make(folder, data=settings.DATA, files=Path(settings.MEDIA_ROOT), now=timezone.now())
        except BackupError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"Backup of {manifest.made_at} in {folder}: {len(manifest.sha256)} files.")

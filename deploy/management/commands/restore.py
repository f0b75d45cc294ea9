"""`manage.py restore DIR`"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from deploy.backup.making import BackupError
from deploy.backup.restoring import backup_restore


class Command(BaseCommand):
    help = (
        "Bring back a backup, migrated to this version, once all its records were verified. The epoch changes, so "
        "that tablets offer again what they sent since the backup."
    )

    # The database that these would look at is about to be replaced.
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, help="a folder that `backup` wrote")
        parser.add_argument("--replace", action="store_true", help="replace a database that holds workshops")
        parser.add_argument(
            "--accept-new-signing-key",
            action="store_true",
            help="the key that signed the ledgers' heads is lost, and nobody has its public half: check everything "
            "else, have each ledger say so, and go on with today's key",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        folder: Path = options["folder"].absolute()
        try:
            restored = backup_restore(
                folder,
                data=settings.DATA,
                files=Path(settings.MEDIA_ROOT),
                now=timezone.now(),
                replace=options["replace"],
                key_is_lost=options["accept_new_signing_key"],
            )
        except BackupError as error:
            raise CommandError(str(error)) from error
        for line in restored.verified:
            self.stdout.write(line)
        self.stdout.write(f"Restored {folder}. The installation's new epoch is {restored.epoch}.")

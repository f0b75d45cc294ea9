"""`manage.py verify_archive FILE`: whether an archive, or the ledger that an intake keeps, is what it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from ...archive.members import ArchiveError
from ...archive.old_ledger import verify_ledger
from ...archive.opening import Archive


class Command(BaseCommand):
    help = (
        "Hold every file of an archive against its manifest, and compute chains, tree and signed heads of its ledger "
        "anew. Prints the newest head and the keys, to be compared with what you know from elsewhere."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="an archive, or the ledger that is kept of one")

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        try:
            with file.open("rb") as content, Archive.opened(content, largest=settings.ARCHIVE_LARGEST_BYTES) as archive:
                archive.verify()
                head = verify_ledger(archive)
                keys = archive.text_of_keys()
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error}") from None
        except ArchiveError as error:
            raise CommandError(f"{file}: {error.detail}") from None
        entries = archive.manifest.counts["ledger_entries"]
        self.stdout.write(f"good. {entries} ledger entries of {archive.manifest.workshop}.")
        self.stdout.write(f"{head.text if head else 'There is no signed head.'}\nkeys:\n{keys}")

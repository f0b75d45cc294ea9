"""`manage.py send_password_link`: a link to set a new password, for a machine that sends no e-mail."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import ProgrammingError
from django.urls import reverse
from django.utils import timezone

from fleet.errors import LevelbookError
from fleet.services import password_link_make


class Command(BaseCommand):
    """Each link ends the ones before it."""

    help = (
        "Print a link by which a person sets a new password. Hand it to them alone: it works once, for one hour. "
        "They are then signed out everywhere; a second factor stays."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email", help="e-mail address with which the person signs in")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            code = password_link_make(email=options["email"], now=timezone.now())
        except LevelbookError as error:
            raise CommandError(str(error)) from None
        except ProgrammingError as error:
            raise CommandError(
                f"The database of {settings.DATA.root} is not set up yet. Name the data folder of the service that "
                "runs: LEVELBOOK_DATA=FOLDER."
            ) from error
        self.stdout.write(settings.PUBLIC_URL + reverse("new_password", args=[code]))

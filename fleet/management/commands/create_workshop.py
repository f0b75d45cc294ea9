"""`manage.py create_workshop`: a workshop with its first person, who is manager and technician."""

from __future__ import annotations

import getpass
import json
import os
import sys
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.core.validators import validate_email
from django.db import ProgrammingError
from django.utils import timezone

from fleet.errors import LevelbookError
from fleet.services import workshop_create
from fleet.time_zones import UNKNOWN, is_time_zone, time_zone_of_machine

PASSWORD_VARIABLE = "LEVELBOOK_PASSWORD"  # noqa: S105  (a name, not a password)


class Command(BaseCommand):
    """Repeatable: the same name and e-mail give the same workshop and another token."""

    help = "Make a workshop; prints its id and a token of its first person as JSON."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--name", required=True, help="name of the workshop")
        parser.add_argument("--email", required=True, help="e-mail address of its first person")
        parser.add_argument("--person", default="", help="name of that person")
        parser.add_argument(
            "--password",
            help=f"their password; otherwise {PASSWORD_VARIABLE} or standard input. An empty one leaves a new "
            "account without, so that only the printed token works until they are invited",
        )
        parser.add_argument(
            "--time-zone",
            default=time_zone_of_machine() or UNKNOWN,
            help="zone of a new workshop, such as Europe/Vienna (default: this machine's, %(default)s); the settings "
            "change it",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if not is_time_zone(options["time_zone"]):
            raise CommandError(f"--time-zone {options['time_zone']}: must be a zone like Europe/Vienna.")
        try:
            validate_email(options["email"])
            founded = workshop_create(
                name=options["name"].strip(),
                email=options["email"],
                password=_password(options["password"]) or None,
                manager_name=options["person"].strip(),
                time_zone=options["time_zone"],
                now=timezone.now(),
            )
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        except LevelbookError as error:
            raise CommandError(str(error)) from None
        except ProgrammingError as error:
            raise CommandError(
                f"The database of {settings.DATA.root} is not set up yet. Start the service once first, or name the "
                "data folder of the one that runs: LEVELBOOK_DATA=FOLDER."
            ) from error
        self.stdout.write(json.dumps({"workshop": str(founded.workshop.pk), "token": founded.token}))


def _password(given: str | None) -> str:
    if given is not None:
        return given
    if PASSWORD_VARIABLE in os.environ:
        return os.environ[PASSWORD_VARIABLE]
    if sys.stdin.isatty():
        return getpass.getpass("Password: ")
    return sys.stdin.readline().rstrip("\r\n")

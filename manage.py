#!/usr/bin/env python
"""Django's command line, with the embedded database running and the command's own database role."""

import os
import sys
from contextlib import nullcontext

from django.core.management import execute_from_command_line

from deploy import database
from deploy.embedded.folder import data_folder
from deploy.embedded.usage import running_database


def main(arguments: list[str]) -> None:
    """Run one management command."""
    command = arguments[1] if len(arguments) > 1 else "help"
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    os.environ.setdefault("LEVELBOOK_DATABASE_ROLE", database.ROLE_OF_COMMAND.get(command, "app"))
    needs_database = database.is_embedded() and command not in database.COMMANDS_WITHOUT_DATABASE
    with running_database(data_folder()) if needs_database else nullcontext():
        execute_from_command_line(arguments)


if __name__ == "__main__":
    main(sys.argv)

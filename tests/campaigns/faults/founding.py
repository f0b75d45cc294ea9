"""Workshops on a running service, several with one start of Django.

    python -m tests.campaigns.faults.founding NUMBER

runs in the environment of the service and prints JSON: the id of each and a token of its manager.
"""

from __future__ import annotations

import json
import sys
import time
from typing import Final

import django

NAME: Final = "Kill campaign"


def found(number: int) -> list[dict[str, str]]:
    """Workshops of the same name, each with a manager of its own, who needs no password."""
    from django.utils import timezone

    from fleet.services import workshop_create

    made = []
    for _ in range(number):
        email = f"m-{time.time_ns()}@example.com"
        founded = workshop_create(name=NAME, email=email, password=None, manager_name="", now=timezone.now())
        made.append({"workshop": str(founded.workshop.pk), "token": founded.token})
    return made


if __name__ == "__main__":
    django.setup()
    sys.stdout.write(json.dumps(found(int(sys.argv[1]))))

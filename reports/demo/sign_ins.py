"""The text that `deploy/start` prints: who can sign in to the demo, and how."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from fleet import services
from fleet.ids import new_id
from fleet.models import Membership, Workshop
from fleet.tenancy import in_workshop

from . import people
from .clock import person_at

DEVICE = "demo sign-ins"


def write_sign_ins(path: Path, workshop: Workshop, now: datetime) -> None:
    """Write the file, readable by its owner only, with a fresh token for each person."""
    with in_workshop(workshop.pk):
        text = "\n".join(_lines(workshop, now)) + "\n"
        unfinished = path.with_name(f".{path.name}.unfinished")
        with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            file.write(text)
    unfinished.replace(path)


def _lines(workshop: Workshop, now: datetime) -> Iterator[str]:
    members = {each.user.email: each for each in Membership.objects.select_related("user", "workshop")}
    yield workshop.name
    for person in (people.MANAGER, *people.OTHERS):
        roles = ", ".join((*person.roles, *(["may approve"] if person.may_approve else [])))
        _token, secret = services.token_issue(
            actor=person_at(members[person.email], now), record_id=new_id(), device=DEVICE
        )
        yield f"  {person.name} ({roles})"
        yield f"    e-mail {person.email}  password {person.password}  PIN {person.pin}"
        yield f"    token {secret}"

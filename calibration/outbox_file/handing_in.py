"""A manager hands a tablet's file in, looks at it, and has it carried out."""

from __future__ import annotations

from datetime import timedelta
from typing import Final
from uuid import UUID

from django.http import HttpRequest

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.ids import new_id
from fleet.models import Membership, OutboxFile
from fleet.permissions import Permission, require
from fleet.services.changes import acting_person

from .carrying_out import carry_out
from .opening import SavedOutbox, damaged, open_outbox_file

KEPT_FOR: Final = timedelta(days=1)
"""How long a file that was only looked at stays."""


def outbox_file_hand_in(*, actor: Actor, content: bytes) -> OutboxFile:
    """Keep a file of the actor's workshop until it is carried out, or for a day."""
    require(actor, Permission.SET_UP)
    saved = _of_workshop(actor, content)
    OutboxFile.objects.filter(carried_out_at=None, handed_in_at__lt=actor.now - KEPT_FOR).delete()
    return OutboxFile.objects.create(
        id=new_id(),
        tablet=saved.tablet,
        saved_at=saved.saved_at,
        content=content,
        handed_in_by=acting_person(actor, Membership.objects.all()),
        handed_in_at=actor.now,
    )


def outbox_file_for(actor: Actor, file_id: UUID) -> OutboxFile:
    require(actor, Permission.SET_UP)
    found = OutboxFile.objects.select_related("handed_in_by").filter(pk=file_id).first()
    if found is None:
        raise NotFound
    return found


def opened(actor: Actor, file: OutboxFile) -> SavedOutbox:
    """What is in a file that is not carried out yet."""
    return _of_workshop(actor, bytes(file.content))


def outbox_file_carry_out(*, actor: Actor, file_id: UUID, around: HttpRequest) -> OutboxFile:
    """Record what the file holds in the names of those who noted it. Once carried out, it is not carried out again."""
    require(actor, Permission.SET_UP)
    file = OutboxFile.objects.select_for_update(no_key=True).filter(pk=file_id).first()
    if file is None:
        raise NotFound
    if file.carried_out_at is None:
        file.outcomes = carry_out(opened(actor, file).records, around)
        file.carried_out_at, file.content = actor.now, b""
        file.save(update_fields=["outcomes", "carried_out_at", "content"])
        ledger.append(actor, "outbox_file_carried_out", file)
    return file


def _of_workshop(actor: Actor, content: bytes) -> SavedOutbox:
    """The key says whose file it is; so does what was encrypted."""
    saved = open_outbox_file(content)
    if saved.workshop_id != actor.workshop_id:
        raise damaged()
    return saved

"""The secret address of a member's calendar: made, made anew, withdrawn by that person alone, and read by programs."""

from __future__ import annotations

import base64
import binascii
import secrets
from datetime import datetime
from typing import Final
from uuid import UUID

from fleet.actor import Actor
from fleet.callers import USE_NOTED_EVERY
from fleet.credentials import digest_of
from fleet.models import CalendarFeed, Membership
from fleet.permissions import Permission, require

from .changes import acting_person

SECRET_BYTES: Final = 32
WORKSHOP_BYTES: Final = 16


def calendar_feed_make(*, actor: Actor) -> str:
    """The code of a new address, which is shown this once; the one before it holds no longer."""
    require(actor, Permission.READ_OWN_VEHICLES)
    person = acting_person(actor, Membership.objects.all())
    code = _new_code(actor.workshop_id)
    CalendarFeed.objects.update_or_create(
        membership=person, defaults={"digest": digest_of(code), "made_at": actor.now, "last_read_at": None}
    )
    return code


def calendar_feed_withdraw(*, actor: Actor) -> None:
    """From now on the address leads nowhere. Harmless when repeated."""
    calendar_feed_end(acting_person(actor, Membership.objects.all()))


def calendar_feed_end(person: Membership) -> None:
    CalendarFeed.objects.filter(membership=person).delete()


def calendar_feed_workshop(code: str) -> UUID | None:
    """The workshop that an address names; whether there is such an address, only that workshop knows."""
    try:
        content = base64.b64decode(code, altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return None
    return UUID(bytes=content[:WORKSHOP_BYTES]) if len(content) == WORKSHOP_BYTES + SECRET_BYTES else None


def calendar_feed_reader(*, code: str, now: datetime) -> Membership | None:
    """Whose calendar is read by this code, within their workshop; None where it was withdrawn or never was."""
    feeds = CalendarFeed.objects.select_related("membership__workshop")
    feed = feeds.filter(digest=digest_of(code), membership__is_active=True).first()
    if feed is None:
        return None
    if feed.last_read_at is None or now - feed.last_read_at > USE_NOTED_EVERY:
        CalendarFeed.objects.filter(pk=feed.pk).update(last_read_at=now)
    return feed.membership


def _new_code(workshop_id: UUID) -> str:
    """64 characters: the workshop, by which its rows are found before anybody is known, and 256 bits of chance."""
    return base64.urlsafe_b64encode(workshop_id.bytes + secrets.token_bytes(SECRET_BYTES)).decode()

"""A browser's session in one workshop: begun by whoever has signed in, ended by signing out or with the membership."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.conf import settings
from django.utils.translation import gettext_lazy as _

from fleet.actor import Actor
from fleet.credentials import digest_of, find, memberships_of, new_secret
from fleet.errors import NotFound
from fleet.models import BrowserSession, Membership, SignInEvent
from fleet.tenancy import in_workshop

from .sign_in_events import sign_in_event_note

LIFETIME: Final = timedelta(seconds=settings.SESSION_COOKIE_AGE)


def session_begin(*, user_id: UUID, workshop_id: UUID, now: datetime, how: str, address: str | None) -> str:
    """Bind a browser, whose person has just proved who they are, to their membership. Gives the session's secret.

    Call it outside any workshop's transaction.
    """
    membership_id = next((m for w, m, _name in memberships_of(user_id) if w == workshop_id), None)
    if membership_id is None:
        raise NotFound(_("You belong to no such workshop, or are not active there."))
    secret = new_secret()
    with in_workshop(workshop_id):
        person = Membership.objects.get(pk=membership_id)
        BrowserSession.objects.create(
            membership=person, digest=digest_of(secret), created_at=now, expires_at=now + LIFETIME
        )
        sign_in_event_note(membership=person, kind=SignInEvent.Kind.SIGNED_IN, now=now, how=how, address=address)
    return secret


def session_end(*, secret: str, now: datetime, address: str | None) -> None:
    """Sign out of the workshop; a session that has ended already stays as it is.

    Call it outside any other workshop's transaction.
    """
    credential = find("session", secret)
    if credential is None:
        return
    with in_workshop(credential.workshop_id):
        BrowserSession.objects.filter(pk=credential.id).update(ended_at=now)
        person = Membership.objects.get(pk=credential.person_id)
        sign_in_event_note(membership=person, kind=SignInEvent.Kind.SIGNED_OUT, now=now, address=address)


def sessions_end_all(actor: Actor, person: Membership) -> None:
    """End all sessions of a member at once."""
    BrowserSession.objects.filter(membership=person, ended_at=None).update(ended_at=actor.now)

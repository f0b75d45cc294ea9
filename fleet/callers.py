"""Who calls: from a credential to the actor, within the workshop's transaction, or to why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from .actor import Actor
from .credentials import Credential
from .days import note_time_zone
from .errors import Forbidden, LevelbookError, NotAuthenticated
from .models import AccessToken, BrowserSession, Membership, Tablet
from .second_factor import has_second_factor, second_factor_required
from .worded_once import worded_once

USE_NOTED_EVERY: Final = timedelta(minutes=10)
SECOND_FACTOR_REQUIRED: Final = "second_factor_required"
TABLET_REVOKED: Final = "tablet_revoked"


@dataclass(frozen=True)
class Caller:
    """An actor, or the refusal that calls with this credential get, or both: then only some pages are open."""

    actor: Actor | None = None
    refusal: LevelbookError | None = None


def caller_by_token(credential: Credential, now: datetime, device_at: datetime | None) -> Caller:
    """Whose token it is: a person, a program, a tablet, or a person on a tablet."""
    (token,) = _token(credential.id)
    refusal = _tablet_refusal(token, now) if token.tablet else None
    if refusal:
        return Caller(refusal=refusal)
    membership = token.membership
    if membership is None:
        _note_use(token, now)
        return Caller(_tablet_alone(token, now, device_at))
    if not membership.is_active:
        return Caller()
    _note_use(token, now)
    note_time_zone(membership.workshop)
    actor = actor_for(membership, now, token=token, device_at=device_at)
    # A personal token that is found is of a person who has no second factor.
    is_short = token.kind == AccessToken.Kind.PERSONAL and second_factor_required(membership)
    return Caller(actor, second_factor_missing() if is_short else None)


@worded_once
def _token(token_id: UUID) -> QuerySet[AccessToken]:
    return AccessToken.objects.select_related("membership__workshop", "tablet").filter(pk=token_id)


def caller_by_session(credential: Credential, user_id: UUID | None, now: datetime) -> Caller:
    """Whose session it is, provided that it is still the person's who is signed in."""
    sessions = BrowserSession.objects.select_related("membership__workshop")
    session = sessions.get(pk=credential.id)
    membership = session.membership
    if not membership.is_active or membership.user_id != user_id:
        return Caller()
    if session.last_used_at is None or now - session.last_used_at > USE_NOTED_EVERY:
        BrowserSession.objects.filter(pk=session.pk).update(last_used_at=now)
    note_time_zone(membership.workshop)
    is_short = second_factor_required(membership) and not has_second_factor(membership.user_id)
    return Caller(actor_for(membership, now, session=session), second_factor_missing() if is_short else None)


def actor_for(
    membership: Membership,
    now: datetime,
    *,
    token: AccessToken | None = None,
    session: BrowserSession | None = None,
    device_at: datetime | None = None,
) -> Actor:
    """A member acting now."""
    return Actor(
        workshop_id=membership.workshop_id,
        now=now,
        membership_id=membership.pk,
        user_id=membership.user_id,
        roles=frozenset(membership.roles),
        scopes=frozenset(token.scopes) if token else frozenset(),
        operator_id=membership.operator_id,
        may_approve=membership.may_approve,
        language=membership.language,
        device_at=device_at,
        token_id=token.pk if token else None,
        session_id=session.pk if session else None,
        tablet_id=token.tablet_id if token else None,
    )


def second_factor_missing() -> Forbidden:
    return Forbidden(
        _("Your workshop requires a second factor for your role. Sign in with a browser and set one up first."),
        code=SECOND_FACTOR_REQUIRED,
    )


def _tablet_alone(token: AccessToken, now: datetime, device_at: datetime | None) -> Actor:
    return Actor(
        workshop_id=token.workshop_id, now=now, device_at=device_at, token_id=token.pk, tablet_id=token.tablet_id
    )


def _tablet_refusal(token: AccessToken, now: datetime) -> NotAuthenticated | None:
    assert token.tablet is not None
    if token.tablet.revoked_at is not None:
        return NotAuthenticated(
            _("This tablet was revoked. It must remove what it holds of the workshop; enrol it again to use it."),
            code=TABLET_REVOKED,
        )
    if token.revoked_at is not None or (token.expires_at is not None and token.expires_at <= now):
        return NotAuthenticated(_("You are signed out of this tablet. Pick your name and enter your PIN again."))
    return None


def _note_use(token: AccessToken, now: datetime) -> None:
    if token.last_used_at is None or now - token.last_used_at > USE_NOTED_EVERY:
        AccessToken.objects.filter(pk=token.pk).update(last_used_at=now)
    tablet = token.tablet
    if tablet is not None and now - tablet.last_seen_at > USE_NOTED_EVERY:
        Tablet.objects.filter(pk=tablet.pk).update(last_seen_at=now)

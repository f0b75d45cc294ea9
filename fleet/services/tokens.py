"""Device tokens: made with the person's own password, bound to one membership, revocable."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.conf import settings
from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.actor import Actor
from fleet.credentials import digest_of, new_secret
from fleet.errors import Conflict, Invalid, NotFound
from fleet.models import AccessToken, Membership, Role, Tablet
from fleet.permissions import INTEGRATOR_SCOPES, Permission, may, require

from .changes import acting_person

LIFETIME: Final = timedelta(days=settings.TOKEN_LIFETIME_DAYS)
PASSWORD_SCOPES: Final = (Permission.READ_WORKSHOP.value,)
"""Of an integrator who signs in by itself."""


def token_issue(*, actor: Actor, record_id: UUID, device: str) -> tuple[AccessToken, str]:
    """A token for the acting person, who has just proved their password; its secret is shown this once.

    What a program may do a manager decides: its own password lets it read and no more.
    """
    membership = acting_person(actor, Membership.objects.all())
    scopes = PASSWORD_SCOPES if Role.INTEGRATOR in membership.roles else ()
    return token_grant(actor=actor, membership=membership, device=device, record_id=record_id, scopes=scopes)


def integrator_token_issue(
    *,
    actor: Actor,
    record_id: UUID,
    membership: Membership,
    device: str,
    scopes: Sequence[str],
    expires_at: datetime | None = None,
) -> tuple[AccessToken, str]:
    """A token for a program, made by a manager; it may only do what its scopes say."""
    require(actor, Permission.SET_UP)
    if Role.INTEGRATOR not in membership.roles:
        raise Conflict(
            _("Only an integrator's token is made by a manager. People make their own with their password."),
            code="not_an_integrator",
        )
    if not membership.is_active:
        raise Conflict(_("This integrator is not active. Activate it first."), code="not_active")
    if expires_at is not None and expires_at <= actor.now:
        raise Invalid.at("/expires_at", "in_the_past", _("Must be later than now; leave it out for 90 days."))
    return token_grant(
        actor=actor,
        membership=membership,
        device=device,
        record_id=record_id,
        kind=AccessToken.Kind.INTEGRATOR,
        scopes=_checked(scopes),
        expires_at=expires_at,
    )


def token_grant(
    *,
    actor: Actor,
    membership: Membership | None,
    device: str,
    record_id: UUID,
    kind: AccessToken.Kind = AccessToken.Kind.PERSONAL,
    tablet: Tablet | None = None,
    scopes: Sequence[str] = (),
    expires_at: datetime | None = None,
) -> tuple[AccessToken, str]:
    """Make a token for a membership, a tablet or both; the caller has checked who asks for what."""
    secret = new_secret()
    token = AccessToken.objects.create(
        id=record_id,
        kind=kind,
        membership=membership,
        tablet=tablet,
        digest=digest_of(secret),
        device=device,
        scopes=list(scopes),
        created_at=actor.now,
        expires_at=expires_at or actor.now + LIFETIME,
    )
    ledger.append(actor, "token_issued", token)
    return token, secret


def token_renew_secret(*, actor: Actor, token_id: UUID) -> tuple[AccessToken, str]:
    """Another secret for a token whose first answer was lost: only its hash is kept, so it cannot be shown again."""
    token = AccessToken.objects.select_for_update(no_key=True).get(pk=token_id)
    if token.revoked_at is not None:
        raise Conflict(_("This token was revoked. Ask for a new one under a new id."), code="token_revoked")
    secret = new_secret()
    token.digest = digest_of(secret)
    token.save(update_fields=["digest"])
    ledger.append(actor, "token_secret_renewed", token)
    return token, secret


def token_revoke(*, actor: Actor, token_id: UUID) -> AccessToken:
    """End a token at once: one's own, or as a manager anyone's. Revoking twice changes nothing."""
    token = AccessToken.objects.select_for_update(no_key=True).filter(pk=token_id).first()
    if token is None or not (token.membership_id == actor.membership_id or may(actor, Permission.SET_UP)):
        raise NotFound
    if token.revoked_at is None:
        revoke_all(actor, [token])
    return token


def revoke_all(actor: Actor, tokens: Collection[AccessToken]) -> None:
    for token in tokens:
        token.revoked_at = actor.now
        token.save(update_fields=["revoked_at"])
        ledger.append(actor, "token_revoked", token)


def _checked(scopes: Sequence[str]) -> list[str]:
    chosen, known = set(scopes), {scope.value for scope in INTEGRATOR_SCOPES}
    if not chosen or chosen - known:
        detail = _("An integrator's token has at least one of these scopes: %(allowed)s.")
        raise Invalid.at("/scopes", "unknown_scope", detail % {"allowed": ", ".join(sorted(known))})
    return sorted(chosen)

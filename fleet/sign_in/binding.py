"""A browser's session and the one membership that it is bound to."""

from __future__ import annotations

from typing import Final
from uuid import UUID

from allauth.account.internal.flows.login import get_authentication_records
from django.http import HttpRequest
from django.utils import timezone

from fleet import services
from fleet.credentials import SESSION_SECRET, find, memberships_of
from fleet.models import User

from .addresses import address_of

MEANS: Final = {
    "password": "password",
    "totp": "authenticator app",
    "webauthn": "passkey",
    "recovery_codes": "recovery code",
}


def bind_to_only_workshop(request: HttpRequest, user: User) -> bool:
    """Bind where there is no choice and it is not done yet; whoever belongs to several workshops is asked."""
    memberships = memberships_of(user.pk)
    if len(memberships) != 1:
        return False
    workshop_id, membership_id, _name = memberships[0]
    if _bound_to(request) != membership_id:
        bind(request, user, workshop_id)
    return True


def bind(request: HttpRequest, user: User, workshop_id: UUID) -> None:
    """From now on the browser works in this workshop; an earlier one is left."""
    secret = services.session_begin(
        user_id=user.pk,
        workshop_id=workshop_id,
        now=timezone.now(),
        how=means_used(request, user),
        address=address_of(request),
    )
    unbind(request)
    request.session[SESSION_SECRET] = secret


def unbind(request: HttpRequest) -> None:
    secret = request.session.pop(SESSION_SECRET, None)
    if secret:
        services.session_end(secret=secret, now=timezone.now(), address=address_of(request))


def _bound_to(request: HttpRequest) -> UUID | None:
    """The membership of the browser's session."""
    secret = request.session.get(SESSION_SECRET)
    credential = find("session", secret) if secret else None
    return credential.person_id if credential else None


def means_used(request: HttpRequest, user: User) -> str:
    """By which means the person signed in, like `password, authenticator app`."""
    records = get_authentication_records(request, user)
    used = [MEANS.get(str(record.get("type") or record["method"]), "") for record in records]
    return ", ".join(dict.fromkeys(filter(None, used)))

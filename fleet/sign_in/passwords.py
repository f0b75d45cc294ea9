"""Proving a password, with one count of failures for pages and interface."""

from __future__ import annotations

from typing import Final

from allauth.account.adapter import get_adapter
from django.core.exceptions import ValidationError
from django.http import HttpRequest
from django.utils.translation import gettext_lazy as _

from fleet.credentials import Credential
from fleet.errors import TooMany
from fleet.models import Membership, User
from fleet.services.people import password_wrong
from fleet.tenancy import in_workshop

LOCKED_FOR_S: Final = 15 * 60


def password_proved(request: HttpRequest, email: str, password: str) -> User | None:
    """The person whose password this is. Too many failures for this e-mail address: `TooMany`."""
    try:
        user = get_adapter(request).authenticate(request, email=email, password=password)
    except ValidationError:
        raise locked_out() from None
    return user if isinstance(user, User) else None


def require_own_password(request: HttpRequest, invitation: Credential, password: str) -> None:
    """An account that has a password must prove it when it accepts an invitation; failures count as anywhere else.

    Else whoever invites a person could guess at their password with the code of the invitation.
    """
    with in_workshop(invitation.workshop_id):
        user = Membership.objects.select_related("user").get(pk=invitation.person_id).user
    has_password = user.is_active and user.has_usable_password()
    if has_password and password_proved(request, user.email, password) is None:
        raise password_wrong()


def locked_out() -> TooMany:
    """The same whether or not there is such a person."""
    return TooMany(
        _("Too many failed attempts with this e-mail address. Wait for a quarter of an hour, then try again."),
        code="locked_out",
        retry_after_s=LOCKED_FOR_S,
    )

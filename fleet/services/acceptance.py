"""Accepting an invitation: the one moment at which a person becomes active in a workshop."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.callers import actor_for
from fleet.credentials import Credential
from fleet.errors import Conflict, NotFound
from fleet.models import Invitation, Membership, User, Workshop
from fleet.tenancy import in_workshop

from .changes import store
from .people import end_single_person, password_wrong, require_strong_password, store_pin


def invitation_accept(
    *, credential: Credential, password: str, pin: str | None, now: datetime
) -> tuple[Membership, bool]:
    """Set the person's own password (an account that has one must prove it) and PIN, and make them active.

    Accepting again with the same password changes nothing and gives False.
    """
    with in_workshop(credential.workshop_id):
        workshop = Workshop.objects.select_for_update(no_key=True).get()
        invitation = _open_invitation(credential, now)
        person = Membership.objects.select_for_update(no_key=True).get(pk=credential.person_id)
        user = User.objects.select_for_update(no_key=True).get(pk=person.user_id)
        _prove_or_set_password(user, password)
        if invitation.accepted_at is not None:
            return person, False
        _activate(person, pin)
        invitation.accepted_at = now
        invitation.save(update_fields=["accepted_at"])
        actor = actor_for(person, now)
        ledger.append(actor, "invitation_accepted", person, rows=[invitation])
        end_single_person(actor, workshop)
        return person, True


def _open_invitation(credential: Credential, now: datetime) -> Invitation:
    """The invitation under lock: another may have been made for the person in the meantime."""
    invitation = Invitation.objects.select_for_update(no_key=True).filter(pk=credential.id, expires_at__gt=now).first()
    if invitation is None:
        raise NotFound(_("This code is unknown or expired. Ask your manager to invite you again."))
    return invitation


def _prove_or_set_password(user: User, password: str) -> None:
    if not user.is_active:
        raise Conflict(_("This account is closed. Ask whoever runs the service."), code="account_closed")
    if user.has_usable_password():
        if not user.check_password(password):
            raise password_wrong()
        return
    require_strong_password(password, user)
    user.set_password(password)
    user.save(update_fields=["password"])


def _activate(person: Membership, pin: str | None) -> None:
    if pin is not None:
        store_pin(person, pin)
    store(person, {"is_active": True})

"""Lost passwords: a link by which a person sets a new one. It works once, for an hour, and only the newest does.

Django's generator of password reset tokens says whether a link is good: it covers the password's hash, so that a
new password ends it, and here how many links were made, so that each ends the ones before it. Nothing of a link is
stored. Only whoever reads the person's mail sees it, or whoever runs the service and hands it over.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.conf import settings
from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.db import transaction
from django.db.models import F, QuerySet
from django.utils.translation import gettext_lazy as _

from fleet import outbox
from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.credentials import memberships_of
from fleet.errors import Conflict, NotFound
from fleet.models import AccessToken, Membership, SignInEvent, User
from fleet.permissions import Permission, require
from fleet.tenancy import in_workshop

from .people import require_strong_password
from .sessions import sessions_end_all
from .sign_in_events import account_event_note, sign_in_event_note
from .tokens import revoke_all

LIFETIME: Final = timedelta(seconds=settings.PASSWORD_RESET_TIMEOUT)
EMAIL_KIND: Final = "fleet.password_link_email"


class _PasswordLinks(PasswordResetTokenGenerator):
    key_salt = "fleet.services.password_links"

    def _make_hash_value(self, user: User, timestamp: int) -> str:
        return f"{super()._make_hash_value(user, timestamp)}:{user.password_links}"


_links: Final = _PasswordLinks()


def password_link_ask(*, actor: Actor, person: Membership) -> None:
    """Have a link e-mailed to a member; a manager asks for it and never sees it."""
    require(actor, Permission.SET_UP)
    if not person.is_active:
        raise Conflict(
            _("This person may not sign in here. Make them active, or invite them again."), code="not_active"
        )
    user = _superseding(person.user_id)
    outbox.append(actor, EMAIL_KIND, {"membership": str(person.pk), "number": user.password_links})
    sign_in_event_note(
        membership=person,
        kind=SignInEvent.Kind.PASSWORD_LINK_MADE,
        now=actor.now,
        how="by a manager",
        recorded_by=actor.membership_id,
    )


def password_link_make(*, email: str, now: datetime) -> str:
    """The code of a new link for whoever runs the service to hand over. Call it outside any workshop's transaction."""
    known = User.objects.filter(email=email.strip().lower()).first()
    if known is None:
        raise NotFound(_("No account has this e-mail address."))
    if not known.is_active:
        raise Conflict(_("This account is closed. Open it first, on the pages under /admin/."), code="account_closed")
    user = _superseding(known.pk)
    account_event_note(
        user_id=user.pk, kind=SignInEvent.Kind.PASSWORD_LINK_MADE, now=now, how="by whoever runs the service"
    )
    return password_link_code(user)


def password_link_code(user: User) -> str:
    """A code that is good for an hour from now, unless a newer link is made."""
    return f"{user.pk.hex}-{_links.make_token(user)}"


def password_link_account(code: str, accounts: QuerySet[User] | None = None) -> User:
    """Whose link it is. Unknown, used, expired and superseded ones, and those of closed accounts, are told apart by
    nobody."""
    person, _separator, token = code.partition("-")
    open_accounts = (User.objects.all() if accounts is None else accounts).filter(is_active=True)
    user = open_accounts.filter(pk=UUID(person)).first() if _is_id(person) else None
    if user is None or not _links.check_token(user, token):
        raise NotFound(_("This link is unknown, used or expired. Ask a manager of your workshop for a new one."))
    return user


def password_reset(*, code: str, password: str, now: datetime, address: str | None) -> User:
    """Set a new password by a link and end all that the old one opened; a second factor stays.

    Call it outside any workshop's transaction.
    """
    with transaction.atomic():
        user = password_link_account(code, User.objects.select_for_update(no_key=True))
        require_strong_password(password, user)
        user.set_password(password)
        user.save(update_fields=["password"])
        for workshop_id, membership_id, _name in memberships_of(user.pk):
            with in_workshop(workshop_id):
                _sign_out(Membership.objects.get(pk=membership_id), now, address)
    return user


def _superseding(user_id: UUID) -> User:
    """The account, with one more link counted."""
    User.objects.filter(pk=user_id).update(password_links=F("password_links") + 1)
    return User.objects.get(pk=user_id)


def _is_id(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


def _sign_out(person: Membership, now: datetime, address: str | None) -> None:
    """Of browsers, devices and tablets; a program's tokens were made by a manager and stay."""
    actor = actor_for(person, now)
    open_tokens = AccessToken.objects.filter(membership=person, revoked_at=None)
    revoke_all(actor, open_tokens.exclude(kind=AccessToken.Kind.INTEGRATOR))
    sessions_end_all(actor, person)
    sign_in_event_note(
        membership=person, kind=SignInEvent.Kind.PASSWORD_CHANGED, now=now, how="by a link", address=address
    )

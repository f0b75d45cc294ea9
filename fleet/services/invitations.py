"""Invitations: one-time codes by which people set their own password and PIN.

A code is derived from the invitation's id with the installation's secret key. So it can be shown again and
e-mailed by a worker although only its hash is stored.
"""

from __future__ import annotations

import base64
from datetime import timedelta
from typing import Final

from django.utils.crypto import salted_hmac
from django.utils.translation import gettext_lazy as _

from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.credentials import digest_of
from fleet.errors import Conflict
from fleet.ids import new_id
from fleet.models import Invitation, Membership
from fleet.permissions import Permission, require

LIFETIME: Final = timedelta(days=7)
EMAIL_KIND: Final = "fleet.invitation_email"
KEY_SALT: Final = "fleet.services.invitations"


def invitation_code(invitation: Invitation) -> str:
    """The code that belongs to an invitation; refused where the secret key has changed since."""
    digest = salted_hmac(KEY_SALT, invitation.pk.hex, algorithm="sha256").digest()
    code = base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
    if invitation.digest and bytes(invitation.digest) != digest_of(code):
        raise Conflict(
            _("The code of this invitation can no longer be shown. Invite the person again."),
            code="invitation_of_old_key",
        )
    return code


def invitation_make(actor: Actor, person: Membership) -> Invitation:
    """A new code for a person, and its e-mail. The caller writes the ledger entry."""
    invitation = Invitation(id=new_id(), membership=person, created_at=actor.now, expires_at=actor.now + LIFETIME)
    invitation.digest = digest_of(invitation_code(invitation))
    invitation.save(force_insert=True)
    outbox.append(actor, EMAIL_KIND, {"invitation": str(invitation.pk)})
    return invitation


def person_reinvite(*, actor: Actor, person: Membership) -> Invitation:
    """Another code for a person who has not accepted yet."""
    require(actor, Permission.SET_UP)
    if person.invitations.filter(accepted_at__isnull=False).exists():
        raise Conflict(_("This person has already accepted. Make them active instead."), code="already_accepted")
    ended = _end_earlier(actor, person)
    invitation = invitation_make(actor, person)
    ledger.append(actor, "person_invited", person, rows=[invitation, *ended])
    return invitation


def _end_earlier(actor: Actor, person: Membership) -> list[Invitation]:
    ended = list(person.invitations.select_for_update(no_key=True).filter(expires_at__gt=actor.now))
    for invitation in ended:
        invitation.expires_at = actor.now
        invitation.save(update_fields=["expires_at"])
    return ended

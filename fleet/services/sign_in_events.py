"""What happened at the door, kept for the person and their managers. E-mail addresses are kept as keyed hashes only."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.db import connection
from django.utils.crypto import salted_hmac

from fleet.credentials import memberships_of
from fleet.models import Membership, RefusedSignIn, SignInEvent
from fleet.tenancy import in_workshop

KEY_SALT: Final = "fleet.services.sign_in_events"
REFUSALS_KEPT: Final = timedelta(days=90)
"""How long failed attempts stay; the database's own function and trigger (migration `0002_secure`) say the same."""


def subject_of(email: str) -> bytes:
    """What stands for an e-mail address that somebody tried to sign in with."""
    return salted_hmac(KEY_SALT, email.strip().lower(), algorithm="sha256").digest()


def sign_in_event_note(
    *,
    membership: Membership,
    kind: SignInEvent.Kind,
    now: datetime,
    how: str = "",
    address: str | None = None,
    recorded_by: UUID | None = None,
) -> SignInEvent:
    """Note it in the workshop of the running transaction. `recorded_by` is who did it, if not the person themselves."""
    return SignInEvent.objects.create(
        membership=membership,
        kind=kind,
        how=how,
        address=address,
        recorded_at=now,
        recorded_by=recorded_by or membership.pk,
    )


def account_event_note(
    *, user_id: UUID, kind: SignInEvent.Kind, now: datetime, how: str = "", address: str | None = None
) -> None:
    """Note what happened to a person's account in each of their workshops. Call it outside any transaction of one."""
    for workshop_id, membership_id, _name in memberships_of(user_id):
        with in_workshop(workshop_id):
            member = Membership.objects.get(pk=membership_id)
            sign_in_event_note(membership=member, kind=kind, now=now, how=how, address=address)


def refusal_note(*, email: str, kind: RefusedSignIn.Kind, now: datetime, how: str, address: str | None) -> None:
    """Note a failed attempt, whether or not there is such a person: the work is the same."""
    RefusedSignIn.objects.create(subject=subject_of(email), kind=kind, how=how, address=address, happened_at=now)


def old_refusals_clear() -> int:
    """Remove the failed attempts that have been kept long enough; gives how many. Nobody may remove newer ones."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT levelbook_clear_refused_sign_ins()")
        (number,) = cursor.fetchone()
    return int(number)

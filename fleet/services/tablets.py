"""Tablets: enrolled by a one-time code, named, revoked; and the person at one, picked and proved by PIN."""

from __future__ import annotations

import secrets
from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from django.utils.crypto import salted_hmac
from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.errors import NotFound, TooMany
from fleet.ids import new_id
from fleet.models import AccessToken, EnrolmentCode, Membership, SignInEvent, Tablet
from fleet.permissions import Permission, may, require
from fleet.selectors.tablets import people_at_tablets, tablets_seen_by

from .changes import acting_person, locked, referenced, store
from .people import pin_failure_note, pin_prove
from .sign_in_events import sign_in_event_note
from .tokens import revoke_all, token_grant

CODE_ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Without letters and digits that are taken for one another."""
CODE_LENGTH: Final = 8
CODE_LIFETIME: Final = timedelta(minutes=10)
KEY_SALT: Final = "fleet.services.tablets"
TABLET_TOKEN_LIFETIME: Final = timedelta(days=3650)
"""A tablet's token ends by revoking the tablet."""
PERSON_TOKEN_LIFETIME: Final = timedelta(hours=8)
"""One shift."""
TABLET_PIN_ATTEMPTS: Final = 10
TABLET_PIN_LOCK: Final = timedelta(minutes=15)


def code_digest(code: str) -> bytes:
    """A code is short: without the installation's key its hash would give it away within minutes."""
    return salted_hmac(KEY_SALT, code.strip().upper().replace("-", "").replace(" ", ""), algorithm="sha256").digest()


def enrolment_offer(*, actor: Actor) -> tuple[EnrolmentCode, str]:
    """A one-time code by which a device becomes a tablet of the workshop; shown this once."""
    require(actor, Permission.RECORD_FACTS)
    code = "".join(secrets.choice(CODE_ALPHABET) for _place in range(CODE_LENGTH))
    offer = EnrolmentCode.objects.create(
        id=new_id(),
        made_by=acting_person(actor, Membership.objects.all()),
        digest=code_digest(code),
        created_at=actor.now,
        expires_at=actor.now + CODE_LIFETIME,
    )
    return offer, code


def tablet_enrol(
    *, actor: Actor, record_id: UUID, offer_id: UUID, device: str, address: str | None = None
) -> tuple[Tablet, str]:
    """Use a code up: the device becomes a tablet. Gives its token. The actor is who made the code."""
    offer = EnrolmentCode.objects.select_for_update(no_key=True).get(pk=offer_id)
    person = acting_person(actor, Membership.objects.all())
    is_open = offer.tablet_id is None and offer.expires_at > actor.now
    if not (is_open and person.is_active and may(actor, Permission.RECORD_FACTS)):
        raise code_unknown()
    tablet = Tablet.objects.create(
        id=record_id, name=device, enrolled_by=person, enrolled_at=actor.now, last_seen_at=actor.now
    )
    offer.tablet = tablet
    offer.save(update_fields=["tablet"])
    ledger.append(actor, "tablet_enrolled", tablet, rows=[offer])
    _note(person, SignInEvent.Kind.TABLET_ENROLLED, actor, tablet, address)
    return tablet, _tablet_token(actor, tablet)


def tablet_renew_secret(*, actor: Actor, tablet_id: UUID) -> tuple[Tablet, str]:
    """Another token for a tablet whose first answer was lost; the first one ends."""
    tablet = Tablet.objects.select_for_update(no_key=True).get(pk=tablet_id)
    if tablet.revoked_at is not None:
        raise code_unknown()
    revoke_all(actor, tablet.tokens.filter(kind=AccessToken.Kind.TABLET, revoked_at=None))
    return tablet, _tablet_token(actor, tablet)


def tablet_rename(*, actor: Actor, tablet_id: UUID, expected_versions: Collection[int], name: str) -> Tablet:
    """Call it otherwise: who enrolled it, or a manager."""
    tablet = locked(tablets_seen_by(actor), tablet_id, expected_versions)
    if store(tablet, {"name": name}):
        ledger.append(actor, "tablet_renamed", tablet)
    return tablet


def tablet_revoke(*, actor: Actor, tablet_id: UUID, address: str | None = None) -> Tablet:
    """End a tablet and everybody's sign-in on it: who enrolled it, or a manager. Twice changes nothing."""
    tablet = tablets_seen_by(actor).select_for_update(of=("self",), no_key=True).filter(pk=tablet_id).first()
    if tablet is None:
        raise NotFound
    if tablet.revoked_at is None:
        store(tablet, {"revoked_at": actor.now})
        ledger.append(actor, "tablet_revoked", tablet)
        revoke_all(actor, tablet.tokens.filter(revoked_at=None))
        person = acting_person(actor, Membership.objects.all())
        _note(person, SignInEvent.Kind.TABLET_REVOKED, actor, tablet, address)
    return tablet


def person_at_tablet(
    *, actor: Actor, record_id: UUID, person_id: UUID, pin: str, address: str | None = None
) -> tuple[AccessToken, str]:
    """A token for the person who proved themselves by PIN at the tablet that the actor is. Refused: as `pin_prove`."""
    tablet, person = tablet_pin_prove(actor=actor, person_id=person_id, pin=pin)
    _note(person, SignInEvent.Kind.SIGNED_IN, actor, tablet, address)
    return token_grant(
        actor=actor_for(person, actor.now, device_at=actor.device_at),
        membership=person,
        device=tablet.name,
        record_id=record_id,
        kind=AccessToken.Kind.PERSON_ON_TABLET,
        tablet=tablet,
        expires_at=actor.now + PERSON_TOKEN_LIFETIME,
    )


def tablet_pin_prove(*, actor: Actor, person_id: UUID, pin: str) -> tuple[Tablet, Membership]:
    """Prove by PIN that a person is at the tablet which the actor is. Refused: as `pin_prove`."""
    tablet = Tablet.objects.select_for_update(no_key=True).get(pk=_tablet_id(actor))
    if tablet.pin_locked_until and tablet.pin_locked_until > actor.now:
        raise _tablet_locked(tablet.pin_locked_until, actor.now)
    person = referenced(people_at_tablets(), person_id, "/person")
    pin_prove(actor=actor_for(person, actor.now), pin=pin)
    if tablet.pin_failures:
        Tablet.objects.filter(pk=tablet.pk).update(pin_failures=0, pin_locked_until=None)
    return tablet, person


def tablet_pin_failure_note(*, tablet_id: UUID, person_id: UUID, now: datetime) -> None:
    """Count a wrong PIN for the person and for the tablet, on which somebody may try one person after another.

    Runs in a transaction of its own after the refused step was rolled back.
    """
    pin_failure_note(membership_id=person_id, now=now)
    tablet = Tablet.objects.select_for_update(no_key=True).get(pk=tablet_id)
    tablet.pin_failures += 1
    if tablet.pin_failures >= TABLET_PIN_ATTEMPTS:
        tablet.pin_failures, tablet.pin_locked_until = 0, now + TABLET_PIN_LOCK
    tablet.save(update_fields=["pin_failures", "pin_locked_until"])


def code_unknown() -> NotFound:
    return NotFound(
        _("This code is unknown, used up or expired. Make another one on the tablets' page."), code="code_unknown"
    )


def _tablet_id(actor: Actor) -> UUID:
    assert actor.tablet_id is not None  # the caller has checked that a tablet asks
    return actor.tablet_id


def _tablet_token(actor: Actor, tablet: Tablet) -> str:
    _token, secret = token_grant(
        actor=actor,
        membership=None,
        device=tablet.name,
        record_id=new_id(),
        kind=AccessToken.Kind.TABLET,
        tablet=tablet,
        expires_at=actor.now + TABLET_TOKEN_LIFETIME,
    )
    return secret


def _tablet_locked(until: datetime, now: datetime) -> TooMany:
    wait_s = int((until - now).total_seconds()) + 1
    detail = _("Too many wrong PINs were typed on this tablet. Wait for %(minutes)s minutes.")
    return TooMany(detail % {"minutes": -(-wait_s // 60)}, code="tablet_locked", retry_after_s=wait_s)


def _note(person: Membership, kind: SignInEvent.Kind, actor: Actor, tablet: Tablet, address: str | None) -> None:
    sign_in_event_note(membership=person, kind=kind, now=actor.now, how=tablet.name[:40], address=address)

"""People: invited by a manager, but only they themselves set their password and PIN."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from math import ceil
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Conflict, Invalid, TooMany
from fleet.looks import dates
from fleet.models import AccessToken, Invitation, Membership, Operator, Role, SignInEvent, User, Workshop
from fleet.permissions import Permission, require
from fleet.pins import require_not_easily_guessed

from .calendar_feeds import calendar_feed_end
from .changes import acting_person, locked, referenced, store
from .invitations import invitation_make
from .sessions import sessions_end_all
from .sign_in_events import sign_in_event_note
from .tokens import revoke_all

PIN_ATTEMPTS: Final = 5
PIN_LOCK: Final = timedelta(minutes=15)


class WrongPin(Invalid):
    """The PIN does not prove the person. Call `pin_failure_note` once the refusal has been rolled back."""


def user_for(email: str, password: str | None) -> User:
    """The account with this e-mail address; made where there is none, without a password unless one is given.

    A password given for an account that has one must be that one: nobody sets another's.
    """
    user = User.objects.filter(email=email.strip().lower()).first()
    if user is None:
        user = User(email=email.strip().lower())
        if password is not None:
            require_strong_password(password, user)
        user.set_password(password)
        user.save()
    elif password is not None and user.has_usable_password() and not user.check_password(password):
        raise password_wrong()
    elif password is not None and not user.has_usable_password():
        require_strong_password(password, user)
        user.set_password(password)
        user.save(update_fields=["password"])
    return user


def require_strong_password(password: str, user: User) -> None:
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise Invalid(
            ("/password", e.code or "password_weak", " ".join(e.messages)) for e in error.error_list
        ) from None


def password_wrong() -> Invalid:
    return Invalid.at("/password", "password_wrong", _("This is not your password."))


def person_invite(
    *,
    actor: Actor,
    record_id: UUID,
    email: str,
    name: str,
    roles: Sequence[str],
    operator: UUID | None = None,
    may_approve: bool = False,
) -> tuple[Membership, Invitation]:
    """Invite a person into the workshop; they become active when they accept."""
    require(actor, Permission.SET_UP)
    user = user_for(email, None)
    if Membership.objects.filter(user=user).exists():
        raise Conflict(
            _("This e-mail address belongs to a person of the workshop. Change their roles, or invite them again."),
            code="already_a_member",
            pointer="/email",
        )
    person = Membership(
        id=record_id,
        user=user,
        name=name,
        roles=sorted(set(roles)),
        may_approve=may_approve,
        operator=referenced(Operator.objects.all(), operator, "/operator") if operator else None,
        commitment_salt=secrets.token_bytes(16),
        created_at=actor.now,
    )
    require_roles_fit(person)
    person.save(force_insert=True)
    invitation = invitation_make(actor, person)
    ledger.append(actor, "person_invited", person, rows=[invitation])
    return person, invitation


def require_roles_fit(person: Membership) -> None:
    """Roles, operator and the right to approve must go together."""
    roles = set(person.roles)
    if Role.INTEGRATOR in roles and (roles != {Role.INTEGRATOR} or person.may_approve):
        detail = _("An integrator is a program: it has no other role and approves nothing.")
        raise Invalid.at("/roles", "integrator_alone", detail)
    if Role.OPERATOR_CONTACT in roles and person.operator_id is None:
        raise Invalid.at("/operator", "operator_required", _("An operator contact must name the operator."))
    if Role.OPERATOR_CONTACT not in roles and person.operator_id is not None:
        raise Invalid.at("/operator", "operator_not_applicable", _("Only an operator contact names an operator."))
    if person.may_approve and roles == {Role.OPERATOR_CONTACT}:
        detail = _("Approving needs a role in the workshop itself.")
        raise Invalid.at("/may_approve", "approver_role", detail)


def person_update(
    *, actor: Actor, person_id: UUID, expected_versions: Collection[int], changes: Mapping[str, Any]
) -> Membership:
    """Change name, roles, operator, the right to approve, or whether the person is active."""
    require(actor, Permission.SET_UP)
    workshop = Workshop.objects.select_for_update(no_key=True).get()
    person = locked(Membership.objects.all(), person_id, expected_versions)
    fields = dict(changes)
    if fields.get("operator"):
        fields["operator"] = referenced(Operator.objects.all(), fields["operator"], "/operator")
    if "roles" in fields:
        fields["roles"] = sorted(set(fields["roles"]))
    _require_has_accepted(person, fields)
    was_active = person.is_active
    if store(person, fields):
        require_roles_fit(person)
        _require_a_manager()
        ledger.append(actor, "person_changed", person)
        if was_active and not person.is_active:
            revoke_all(actor, AccessToken.objects.filter(membership=person, revoked_at=None))
            sessions_end_all(actor, person)
            calendar_feed_end(person)
        end_single_person(actor, workshop)
    return person


def _require_has_accepted(person: Membership, changes: Mapping[str, Any]) -> None:
    """Only the person makes themselves active, by accepting: a manager may at most bring them back."""
    if not changes.get("is_active") or person.is_active:
        return
    if not person.invitations.filter(accepted_at__isnull=False).exists():
        raise Conflict(
            _("This person has not accepted an invitation yet. Invite them again instead."),
            code="not_accepted",
            pointer="/is_active",
        )


def _require_a_manager() -> None:
    if not Membership.objects.filter(is_active=True, roles__contains=[Role.MANAGER]).exists():
        raise Conflict(_("A workshop needs an active manager. Make another person manager first."), code="last_manager")


def active_approvers() -> QuerySet[Membership]:
    """Who may decide now: managers and named deputies of the running transaction's workshop."""
    return Membership.objects.filter(Q(may_approve=True) | Q(roles__contains=[Role.MANAGER]), is_active=True)


def end_single_person(actor: Actor, workshop: Workshop) -> None:
    """Switch `single_person` off where a second approver has become active. The workshop's row is locked."""
    if workshop.single_person and active_approvers().count() > 1:
        store(workshop, {"single_person": False})
        ledger.append(actor, "workshop_changed", workshop, facts={"reason": "second_approver"})


def pin_set(*, actor: Actor, password: str | None, pin: str, address: str | None = None) -> Membership:
    """Set one's own PIN, proved by one's own password; this also lifts a lock.

    None as the password is for an account that has none, whose person has just proved themselves otherwise.
    """
    members = Membership.objects.select_for_update(of=("self",), no_key=True).select_related("user")
    person = acting_person(actor, members)
    if person.user.has_usable_password() if password is None else not person.user.check_password(password):
        raise password_wrong()
    store_pin(person, pin)
    ledger.append(actor, "pin_set", person)
    sign_in_event_note(membership=person, kind=SignInEvent.Kind.PIN_CHANGED, now=actor.now, address=address)
    return person


def store_pin(person: Membership, pin: str) -> None:
    """The one place where a PIN is set. Refused: `pin_easily_guessed`."""
    require_not_easily_guessed(pin)
    store(person, {"pin": make_password(pin), "pin_failures": 0, "pin_locked_until": None})


def pin_prove(*, actor: Actor, pin: str) -> None:
    """Prove by PIN that the acting person is present. Wrong: `WrongPin`; too often: `TooMany`."""
    person = acting_person(actor, Membership.objects.select_for_update(no_key=True))
    if not person.pin:
        detail = _("You have no PIN yet. Set your own first (PUT /me/pin/).")
        raise Invalid.at("/pin", "pin_not_set", detail)
    if person.pin_locked_until and person.pin_locked_until > actor.now:
        raise _pin_locked(person, person.pin_locked_until, actor.now)
    if not check_password(pin, person.pin):
        raise WrongPin.at("/pin", "pin_wrong", _wrong_pin_detail(PIN_ATTEMPTS - person.pin_failures - 1))
    if person.pin_failures:
        Membership.objects.filter(pk=person.pk).update(pin_failures=0, pin_locked_until=None)


def _pin_locked(person: Membership, until: datetime, now: datetime) -> TooMany:
    wait_s = int((until - now).total_seconds()) + 1
    detail = _(
        "Your PIN is locked after %(attempts)s wrong attempts, until %(until)s by the workshop's clock (for another "
        "%(minutes)s min). Wait, or set a new one with your password."
    ) % {
        "attempts": PIN_ATTEMPTS,
        "until": dates.day_and_time(until.astimezone(ZoneInfo(person.workshop.time_zone))),
        "minutes": ceil(wait_s / 60),
    }
    return TooMany(detail, code="pin_locked", retry_after_s=wait_s)


def _wrong_pin_detail(left: int) -> str:
    minutes = int(PIN_LOCK.total_seconds() / 60)
    if left > 0:
        return ngettext(
            "This is not your PIN. You have %(left)s more attempt; after that it is locked for %(minutes)s minutes.",
            "This is not your PIN. You have %(left)s more attempts; after that it is locked for %(minutes)s minutes.",
            left,
        ) % {"left": left, "minutes": minutes}
    return _(
        "This is not your PIN. It is now locked for %(minutes)s minutes. Wait, or set a new one with your password."
    ) % {"minutes": minutes}


def pin_failure_note(*, membership_id: UUID, now: datetime) -> None:
    """Count a wrong PIN; the fifth in a row locks it for a quarter of an hour.

    Runs in a transaction of its own after the refused step was rolled back.
    """
    person = Membership.objects.select_for_update(no_key=True).get(pk=membership_id)
    person.pin_failures += 1
    if person.pin_failures >= PIN_ATTEMPTS:
        person.pin_failures, person.pin_locked_until = 0, now + PIN_LOCK
    person.save(update_fields=["pin_failures", "pin_locked_until"])


def preferences_set(*, actor: Actor, **preferences: str) -> Membership:
    """How pages are shown to the acting person: `length_unit` (blank: as the workshop) and `language`."""
    person = acting_person(actor, Membership.objects.select_for_update(no_key=True))
    store(person, preferences)
    return person

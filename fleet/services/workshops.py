"""The workshop itself: how it begins, and its settings."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext_lazy as _

from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.credentials import memberships_of
from fleet.errors import Conflict
from fleet.ids import new_id
from fleet.models import Membership, Role, User, Workshop
from fleet.permissions import Permission, require
from fleet.tenancy import current_workshop_id, in_workshop
from fleet.time_zones import UNKNOWN

from .changes import locked, store
from .people import active_approvers, user_for
from .tokens import token_grant
from .vehicle_models import later_revisions_await

FIRST_DEVICE: Final = "create_workshop"
FOUNDED_KIND: Final = "fleet.workshop_founded"
ZONE_KIND: Final = "fleet.time_zone_changed"


@dataclass(frozen=True, slots=True)
class FoundedWorkshop:
    """A workshop with its first person, and a token of theirs that is shown once."""

    workshop: Workshop
    manager: Membership
    token: str
    is_new: bool


def workshop_create(
    *,
    name: str,
    email: str,
    password: str | None,
    now: datetime,
    manager_name: str = "",
    time_zone: str = UNKNOWN,
    is_demo: bool = False,
) -> FoundedWorkshop:
    """A workshop whose first person is manager and technician.

    For the same name and e-mail it gives the workshop there is, with another token. An account that the person
    already has keeps its password; without `password` a new one has none until an invitation is accepted. The time
    zone is a new workshop's.
    """
    with transaction.atomic():
        user = _locked_account(email, password)
        workshop_id = next((w for w, _member, its_name in memberships_of(user.pk) if its_name == name), None)
        with in_workshop(workshop_id or new_id()):
            if workshop_id:
                manager = _manager_again(user)
            else:
                workshop = Workshop(name=name, time_zone=time_zone, is_demo=is_demo)
                manager = _founded(workshop, user, now, manager_name or email.partition("@")[0])
            actor = Actor.system(manager.workshop.pk, now)
            _token, secret = token_grant(actor=actor, membership=manager, device=FIRST_DEVICE, record_id=new_id())
            if workshop_id is None:
                outbox.append(actor, FOUNDED_KIND, {})
            return FoundedWorkshop(manager.workshop, manager, secret, is_new=workshop_id is None)


def _locked_account(email: str, password: str | None) -> User:
    """The person's account, locked: the same call made twice at once makes one workshop."""
    return User.objects.select_for_update(no_key=True).get(pk=user_for(email, password).pk)


def _manager_again(user: User) -> Membership:
    person = Membership.objects.select_related("workshop").get(user=user)
    if Role.MANAGER not in person.roles:
        raise Conflict(
            _("This person belongs to a workshop of this name, but is no manager of it. Take another name."),
            code="not_manager",
        )
    return person


def _founded(workshop: Workshop, user: User, now: datetime, manager_name: str) -> Membership:
    workshop.id, workshop.created_at = current_workshop_id(), now
    workshop.save(force_insert=True)
    manager = Membership.objects.create(
        user=user,
        workshop=workshop,
        name=manager_name,
        roles=[Role.MANAGER.value, Role.TECHNICIAN.value],
        is_active=True,
        commitment_salt=secrets.token_bytes(16),
        created_at=now,
    )
    ledger.append(Actor.system(workshop.pk, now), "workshop_created", workshop, rows=[manager])
    return manager


def workshop_update(*, actor: Actor, expected_versions: Collection[int], changes: Mapping[str, Any]) -> Workshop:
    """Change settings. `single_person` is refused while two people could approve."""
    require(actor, Permission.SET_UP)
    workshop = locked(Workshop.objects.all(), actor.workshop_id, expected_versions)
    if changes.get("single_person") and active_approvers().count() > 1:
        raise Conflict(
            _("A second person here may approve, so nobody approves alone. Let them approve, or take that right away."),
            code="second_approver",
            pointer="/single_person",
        )
    zone = workshop.time_zone
    if store(workshop, changes):
        ledger.append(actor, "workshop_changed", workshop)
        if workshop.time_zone != zone:
            later_revisions_await(actor=actor)  # their days begin at other times now
            outbox.append(actor, ZONE_KIND, {})
    return workshop

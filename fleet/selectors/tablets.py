"""Tablets and who works at them."""

from __future__ import annotations

from typing import Final

from django.db.models import QuerySet

from fleet.actor import Actor
from fleet.models import Membership, Role, Tablet
from fleet.permissions import Permission, may

AT_TABLETS: Final = (Role.MANAGER, Role.TECHNICIAN)
"""Whose work is in the bay."""


def tablets_seen_by(actor: Actor) -> QuerySet[Tablet]:
    """A manager sees all, others those that they enrolled."""
    tablets = Tablet.objects.select_related("enrolled_by")
    return tablets if may(actor, Permission.SET_UP) else tablets.filter(enrolled_by=actor.membership_id)


def people_at_tablets() -> QuerySet[Membership]:
    """Whom a tablet offers to pick."""
    return Membership.objects.filter(is_active=True, roles__overlap=list(AT_TABLETS)).order_by("name", "id")

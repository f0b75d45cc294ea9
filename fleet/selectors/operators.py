"""Which operators a person sees."""

from __future__ import annotations

from django.db.models import QuerySet

from fleet.actor import Actor
from fleet.models import Operator

from .vehicles import sees_whole_workshop


def visible_operators(actor: Actor) -> QuerySet[Operator]:
    """All of the workshop's; for an operator contact their own."""
    operators = Operator.objects.all()
    if sees_whole_workshop(actor):
        return operators
    return operators.filter(pk=actor.operator_id) if actor.operator_id else operators.none()

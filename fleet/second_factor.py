"""Second factors: who has one, and who must."""

from __future__ import annotations

from uuid import UUID

from allauth.mfa.models import Authenticator

from .models import Membership


def has_second_factor(user_id: UUID) -> bool:
    """An authenticator app or a passkey; recovery codes exist only beside one."""
    return bool(Authenticator.objects.filter(user_id=user_id).exists())


def second_factor_required(membership: Membership) -> bool:
    """The workshop says for which roles. Its row comes with the membership."""
    return not set(membership.roles).isdisjoint(membership.workshop.second_factor_required_for)

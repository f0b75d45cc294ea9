"""People of an archive become members of the workshop that takes it in: known by name, able to do nothing.

Each is as after an invitation that was never sent: an account with their e-mail address, found or made without a
password, and a membership that is not active. Only an invitation that they accept makes it so. Whoever is a member of
the workshop already, under the same address, goes on as such; what the archive says of them stays beside that, on a
stand-in account by which nobody can ever sign in.
"""

from __future__ import annotations

import secrets
import uuid
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.translation import gettext as _

from fleet.models import Membership, User
from fleet.services.people import user_for

from .cells import CellError
from .tables import EMAIL

STAND_IN: Final = "@taken-in.invalid"
"""End of the address of stand-in accounts; no mail goes there (RFC 2606)."""


def prepare_person(values: dict[str, Any], members: frozenset[uuid.UUID]) -> None:
    """Make of a row's values those of a member without any credential; `members` are accounts that are members."""
    user = _account(values.pop(EMAIL), values["id"], members)
    values |= {
        "user_id": user.pk,
        "is_active": False,
        "pin": "",
        "commitment_salt": secrets.token_bytes(16),
    }


def members_before() -> frozenset[uuid.UUID]:
    return frozenset(Membership.objects.values_list("user", flat=True))


def _account(email: str, membership_id: uuid.UUID, members: frozenset[uuid.UUID]) -> User:
    if email:
        try:
            validate_email(email)
        except ValidationError:
            raise CellError(_("“%(text)s” is no e-mail address") % {"text": email[:60]}) from None
        user = user_for(email, None)
        if user.pk not in members:
            return user
    return _stand_in(membership_id)


def _stand_in(membership_id: uuid.UUID) -> User:
    user = user_for(f"{membership_id}{STAND_IN}", None)
    if user.is_active:
        user.is_active = False
        user.save(update_fields=["is_active"])
    return user

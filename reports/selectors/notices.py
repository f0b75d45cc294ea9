"""Who does without which e-mails, and the codes in e-mails by which somebody says so without signing in."""

from __future__ import annotations

import uuid
from typing import Any, Final

from django.core import signing

from fleet.models import Membership, Role
from fleet.tenancy import current_workshop_id

from ..models import DeclinedNotice, Notice
from .recipients import Recipient

SALT: Final = "reports.notices"
OF_ROLES: Final = {
    Notice.CERTIFICATE: {Role.OPERATOR_CONTACT},
    Notice.APPROVAL: {Role.MANAGER},
    Notice.LATE_RECORD: {Role.MANAGER},
    Notice.ALERTS: {Role.MANAGER, Role.OPERATOR_CONTACT},
    Notice.CHECKS: {Role.MANAGER, Role.OPERATOR_CONTACT},
    Notice.INSTRUMENTS: {Role.MANAGER},
    Notice.CHECKPOINT: {Role.MANAGER, Role.OPERATOR_CONTACT},
}
"""Who gets what; whoever may approve is asked for approvals, too."""


def notices_for(person: Membership) -> list[Notice]:
    """The kinds of e-mail that a person may get, in their order."""
    roles = set(person.roles)
    return [
        kind
        for kind, getting in OF_ROLES.items()
        if roles & getting or (kind is Notice.APPROVAL and person.may_approve)
    ]


def declined_by(person: Membership) -> set[str]:
    return set(DeclinedNotice.objects.filter(membership=person).values_list("kind", flat=True))


def stop_code(recipient: Recipient, kind: str) -> str:
    """Signed by the installation, so it works for whoever got the e-mail, and for this kind alone."""
    named = [str(current_workshop_id()), recipient.kind, str(recipient.id), kind]
    return signing.dumps(named, salt=SALT, compress=True)


def read_stop_code(code: str) -> tuple[uuid.UUID, Recipient, Notice] | None:
    """Workshop, recipient and kind; None for a code that was not made here."""
    try:
        workshop, kind_of_recipient, recipient, kind = _loaded(code)
    except (signing.BadSignature, ValueError):
        return None
    return uuid.UUID(workshop), Recipient(kind_of_recipient, uuid.UUID(recipient)), Notice(kind)


def _loaded(code: str) -> Any:
    return signing.loads(code, salt=SALT)

"""From a secret to a membership: what must work before the workshop is known.

Only these functions call the SECURITY DEFINER functions of the database. Secrets are random 256-bit values,
stored as their SHA-256.
"""

from __future__ import annotations

import hashlib
import secrets
import uuid
from dataclasses import dataclass
from typing import Final, Literal

from django.db import connection

SESSION_SECRET: Final = "membership"  # noqa: S105  (the name under which the browser's session holds it)

CredentialKind = Literal["token", "session", "invitation", "enrolment"]


@dataclass(frozen=True, slots=True)
class Credential:
    """A valid credential and the membership it is bound to; a tablet's own is bound to none."""

    id: uuid.UUID
    workshop_id: uuid.UUID
    membership_id: uuid.UUID | None
    kind: CredentialKind

    @property
    def person_id(self) -> uuid.UUID:
        """The membership, of those that are bound to one."""
        assert self.membership_id is not None, self.kind
        return self.membership_id


def new_secret() -> str:
    return secrets.token_urlsafe(32)


def digest_of(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()


def find(kind: CredentialKind, secret: str) -> Credential | None:
    """The credential, where the secret is known, not revoked or used up, and not expired.

    That of a revoked tablet is found all the same: it must be told to wipe itself.
    """
    return find_by_digest(kind, digest_of(secret))


def find_by_digest(kind: CredentialKind, digest: bytes) -> Credential | None:
    """The same, for secrets whose hash is made in another way."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM levelbook_credential(%s, %s)", [kind, digest])
        row = cursor.fetchone()
    return Credential(row[0], row[1], row[2], kind) if row else None


def memberships_of(user_id: uuid.UUID) -> list[tuple[uuid.UUID, uuid.UUID, str]]:
    """(workshop, membership, workshop's name) of every active membership of a person who proved themselves."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT workshop_id, membership_id, workshop_name FROM levelbook_memberships(%s)", [user_id])
        return [(row[0], row[1], row[2]) for row in cursor.fetchall()]

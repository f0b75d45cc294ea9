"""Identifiers: time-ordered UUIDs of version 7 (RFC 9562), made by the client or here."""

from __future__ import annotations

import uuid

from uuid_utils import compat


def new_id() -> uuid.UUID:
    """A new UUIDv7."""
    return compat.uuid7()

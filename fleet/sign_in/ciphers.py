"""What is kept encrypted under keys that are derived from the installation's own."""

from __future__ import annotations

import base64
import hashlib
from functools import cache

from cryptography.fernet import Fernet
from django.conf import settings


def cipher(purpose: str) -> Fernet:
    """One key for each purpose, so that nothing made for one can be passed off as another's."""
    return _derived(purpose, settings.SECRET_KEY)


@cache
def _derived(purpose: str, secret_key: str) -> Fernet:
    return Fernet(base64.urlsafe_b64encode(hashlib.sha256(f"fleet.sign_in.{purpose}{secret_key}".encode()).digest()))

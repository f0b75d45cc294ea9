"""Codes of authenticator apps: each is good once."""

from __future__ import annotations

from typing import Final

from allauth.mfa import app_settings
from allauth.mfa.models import Authenticator
from django.core.cache import cache

ACCEPTED_FOR_S: Final = (2 * app_settings.TOTP_TOLERANCE + 1) * app_settings.TOTP_PERIOD
"""A code is that of its own half minute, and taken in those before and after, too."""


def is_first_use(authenticator: Authenticator, code: str) -> bool:
    """Whether a right code was not used before, which then counts as its use.

    django-allauth remembers that for one period only. RFC 6238, section 5.2: a code is not accepted a second time.
    """
    if authenticator.type != Authenticator.Type.TOTP:
        return True
    digits = "".join(filter(str.isdigit, code))
    return cache.add(f"levelbook.code_used.{authenticator.pk}.{digits}", 1, timeout=ACCEPTED_FOR_S)

"""Codes of authenticator apps: each is good once."""

from __future__ import annotations

from typing import Final

from allauth.mfa import app_settings
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import TOTP
from django.contrib.auth.base_user import AbstractBaseUser
from django.core.cache import cache

ACCEPTED_FOR_S: Final = (2 * app_settings.TOTP_TOLERANCE + 1) * app_settings.TOTP_PERIOD
"""A code is that of its own half minute, and taken in those before and after, too."""


def remember_use(user: AbstractBaseUser, code: str) -> None:
    """Have a code that was taken refused for as long as it would be taken (RFC 6238, section 5.2).

    django-allauth remembers it for one period only, and not at all the one by which an app was set up. It is told where
    it looks itself: there a used code is refused as a wrong one, and leaves the count of failed attempts as it is.
    """
    used = TOTP(Authenticator(user=user, type=Authenticator.Type.TOTP))._get_used_cache_key(code)
    cache.set(used, "y", timeout=ACCEPTED_FOR_S)

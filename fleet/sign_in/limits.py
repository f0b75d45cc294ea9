"""Whether another attempt would still be looked at."""

from __future__ import annotations

from allauth.core import ratelimit
from django.http import HttpRequest


def is_locked_out(request: HttpRequest, key: str) -> bool:
    """`key` is django-allauth's: of an e-mail address, or of a person's second factor. Counts nothing."""
    return not ratelimit.consume(request, action="login_failed", key=key, dry_run=True)

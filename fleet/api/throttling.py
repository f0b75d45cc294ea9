"""How often one may ask. Rates are settings (`DEFAULT_THROTTLE_RATES`); these are the defaults."""

from __future__ import annotations

import hashlib
from typing import Any, ClassVar

from django.core.cache import caches
from django.utils.connection import ConnectionProxy
from redis.exceptions import RedisError
from rest_framework.request import Request
from rest_framework.settings import api_settings
from rest_framework.throttling import SimpleRateThrottle
from rest_framework.views import APIView

from fleet.errors import Unavailable


class Throttle(SimpleRateThrottle):
    """A throttle with a rate of its own where the settings name none."""

    default_rate: ClassVar[str]

    def get_rate(self) -> str | None:
        rates: dict[str, Any] = api_settings.DEFAULT_THROTTLE_RATES
        rate: str | None = rates.get(self.scope or "", self.default_rate)
        return rate

    def get_cache_key(self, request: Request, view: APIView) -> str | None:
        ident = self.ident(request, view)
        return f"throttle:{self.scope}:{ident}" if ident else None

    def ident(self, request: Request, view: APIView) -> str | None:
        raise NotImplementedError


class TokenThrottle(Throttle):
    """Requests of one token: far above what a busy tablet sends. Each web process counts for itself."""

    cache = ConnectionProxy(caches, "process")  # type: ignore[assignment]  # it passes everything on to the cache
    scope = "token"
    default_rate = "1200/min"

    def ident(self, request: Request, view: APIView) -> str | None:
        user = request.user
        caller = getattr(user, "token_id", None) or getattr(user, "session_id", None)
        return str(caller) if caller else None


class SharedThrottle(Throttle):
    """Counts in the cache that all web processes share: what guards a secret must hold for them together."""

    def allow_request(self, request: Request, view: APIView) -> bool:
        try:
            return super().allow_request(request, view)
        except (OSError, RedisError) as error:
            raise Unavailable from error


class PasswordThrottle(SharedThrottle):
    """Changes of one's own PIN, each proved by the password."""

    scope = "password"
    default_rate = "10/min"

    def ident(self, request: Request, view: APIView) -> str | None:
        return str(getattr(request.user, "pk", None) or self.get_ident(request))


class SignInAddressThrottle(SharedThrottle):
    """Attempts to sign in or to accept an invitation from one network address."""

    scope = "sign_in_address"
    default_rate = "120/min"

    def ident(self, request: Request, view: APIView) -> str | None:
        return self.get_ident(request)


class EnrolmentThrottle(SharedThrottle):
    """Codes of eight characters tried from one network address: an honest device sends one."""

    scope = "enrolment"
    default_rate = "10/min"

    def ident(self, request: Request, view: APIView) -> str | None:
        return self.get_ident(request)


class TabletPinThrottle(SharedThrottle):
    """PINs typed on one tablet; wrong ones lock person and tablet long before."""

    scope = "tablet_pin"
    default_rate = "30/min"

    def ident(self, request: Request, view: APIView) -> str | None:
        return str(getattr(request.user, "tablet_id", None) or self.get_ident(request))


class PasswordLinkThrottle(SharedThrottle):
    """Links to set a new password, sent to one person: each is an e-mail and ends the one before it."""

    scope = "password_link"
    default_rate = "5/hour"

    def ident(self, request: Request, view: APIView) -> str | None:
        return str(view.kwargs["person"])


class SignInPersonThrottle(SharedThrottle):
    """Attempts to sign in as one person, or with one invitation, from wherever."""

    scope = "sign_in_person"
    default_rate = "10/min"

    def ident(self, request: Request, view: APIView) -> str | None:
        subject: Any = view.kwargs.get("code") or (
            request.data.get("email") if isinstance(request.data, dict) else None
        )
        if not isinstance(subject, str):
            return None
        return hashlib.sha256(subject.strip().lower().encode()).hexdigest()

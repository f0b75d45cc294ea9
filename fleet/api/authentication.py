"""Bearer tokens and browsers' sessions. The middleware has resolved them, since the transaction needs the workshop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.utils.translation import gettext as _
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework import authentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from ..actor import Actor
from ..errors import Forbidden

if TYPE_CHECKING:
    from rest_framework.views import APIView


class TokenAuthentication(authentication.BaseAuthentication):
    """Gives the actor that `fleet.middleware.WorkshopMiddleware` found for the request's token."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        if not request.headers.get("Authorization"):
            return None
        _refuse_refused(request)
        actor = getattr(request._request, "actor", None)
        if actor is None:
            raise AuthenticationFailed(_("The token is unknown, revoked or expired. Sign in again."))
        return actor, None

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class SessionAuthentication(authentication.SessionAuthentication):
    """Gives the actor of the browser's session. Other sites cannot make a browser write: a CSRF token is needed."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        actor: Actor | None = getattr(request._request, "actor", None)
        if actor is None or actor.session_id is None:
            return None
        _refuse_refused(request)
        self.enforce_csrf(request)
        return actor, None


class IsPerson(BasePermission):
    """Somebody is known: a person or a program. A tablet alone is neither."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        if isinstance(request.user, Actor) and request.user.membership_id is None:
            raise Forbidden(_("Pick your name on the tablet and enter your PIN first."), code="person_required")
        return isinstance(request.user, Actor)


class IsTablet(BasePermission):
    """The call comes from an enrolled tablet, with or without a person at it."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        if isinstance(request.user, Actor) and request.user.tablet_id is None:
            raise Forbidden(_("Only an enrolled tablet can do this. Enrol it first."), code="tablet_required")
        return isinstance(request.user, Actor)


def _refuse_refused(request: Request) -> None:
    refusal = getattr(request._request, "refusal", None)
    if refusal is not None:
        raise refusal


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "fleet.api.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class SessionScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "fleet.api.authentication.SessionAuthentication"
    name = "session"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "apiKey", "in": "cookie", "name": settings.SESSION_COOKIE_NAME}

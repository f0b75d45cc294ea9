"""Bearer tokens. The middleware has resolved the token already, since the transaction needs the workshop."""

from __future__ import annotations

from django.utils.translation import gettext as _
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from ..actor import Actor


class TokenAuthentication(BaseAuthentication):
    """Gives the actor that `fleet.middleware.WorkshopMiddleware` found for the request's token."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        actor = getattr(request._request, "actor", None)
        if actor is None and request.headers.get("Authorization"):
            raise AuthenticationFailed(_("The token is unknown, revoked or expired. Sign in again."))
        return (actor, None) if actor else None

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "fleet.api.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}

"""The request's workshop: who is calling, and the one transaction that carries the whole request."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from http import HTTPStatus
from typing import Final

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import ValidationError
from rest_framework.permissions import SAFE_METHODS

from . import credentials
from .api.fields import AwareDateTime
from .api.problems import Problem
from .callers import Caller, caller_by_session, caller_by_token
from .models import Installation
from .tenancy import in_workshop

DEVICE_TIME_HEADER: Final = "Device-Time"
EPOCH_HEADER: Final = "Levelbook-Epoch"
INTERFACE: Final = "/api/"
NO_WORKSHOP_YET: Final = (
    *("/admin/", "/choose-workshop/", "/invitation/", "/new-password/", "/sign-in/", "/sign-out/"),
    *("/notices/", "/calendar/"),
)
"""Pages on which a workshop is chosen, by people, by deployers, by a signed link or a secret address: they are served
within none."""


class WorkshopMiddleware:
    """Resolves the bearer token or the browser's session, then serves the request within its workshop's transaction.

    An answer of 400 or more rolls back everything. What a refusal must leave behind all the same (a counted
    PIN failure) is put on the request as `after_rollback` and done afterwards in a transaction of its own.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        credential = _credential(request)
        if credential is None:
            return self.get_response(request)
        with in_workshop(credential.workshop_id):
            request.workshop_id = credential.workshop_id  # type: ignore[attr-defined]
            caller = _caller(request, credential)
            request.actor = caller.actor  # type: ignore[attr-defined]
            request.refusal = caller.refusal  # type: ignore[attr-defined]
            epoch = str(Installation.objects.values_list("epoch", flat=True).get())
            is_meant = request.method in SAFE_METHODS or request.headers.get(EPOCH_HEADER, epoch) == epoch
            response = self.get_response(request) if is_meant else _meant_for_another()
            if response.status_code >= 400:
                transaction.set_rollback(True)
            response[EPOCH_HEADER] = epoch
        for action in getattr(request, "after_rollback", ()):
            with in_workshop(credential.workshop_id):
                action()
        return response


def _meant_for_another() -> HttpResponse:
    """A tablet names the epoch that it knows, so that nothing new overtakes what a restored server has lost."""
    detail = _("The service was restored from a backup since. Offer again what you sent, then what is new.")
    return Problem(HTTPStatus.CONFLICT, code="epoch_changed", detail=detail).response()


def _credential(request: HttpRequest) -> credentials.Credential | None:
    """Of the interface's header, where there is one; else of the browser's session."""
    is_interface = request.path_info.startswith(INTERFACE)
    authorization = request.headers.get("Authorization") if is_interface else None
    if authorization is not None:
        scheme, _, secret = authorization.partition(" ")
        return credentials.find("token", secret.strip()) if scheme.lower() == "bearer" and secret.strip() else None
    if request.path_info.startswith(NO_WORKSHOP_YET):
        return None
    secret = request.session.get(credentials.SESSION_SECRET, "")
    return credentials.find("session", secret) if secret else None


def _caller(request: HttpRequest, credential: credentials.Credential) -> Caller:
    now = timezone.now()
    if credential.kind == "session":
        return caller_by_session(credential, request.user.pk, now)
    return caller_by_token(credential, now, _device_time(request))


def _device_time(request: HttpRequest) -> datetime | None:
    """What the tablet's clock says; ignored where it is no time that a record can have."""
    try:
        at: datetime = AwareDateTime().run_validation(request.headers.get(DEVICE_TIME_HEADER))
    except ValidationError:
        return None
    return at

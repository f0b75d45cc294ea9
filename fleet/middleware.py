"""The request's workshop: who is calling, and the one transaction that carries the whole request."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from rest_framework.exceptions import ValidationError

from . import credentials
from .actor import Actor
from .api.fields import AwareDateTime
from .models import AccessToken, Installation, Membership
from .tenancy import in_workshop

DEVICE_TIME_HEADER = "Device-Time"
EPOCH_HEADER = "Levelbook-Epoch"
USE_NOTED_EVERY = timedelta(minutes=10)


class WorkshopMiddleware:
    """Resolves the bearer token, then serves the request within its workshop's transaction.

    An answer of 400 or more rolls back everything. What a refusal must leave behind all the same (a counted
    PIN failure) is put on the request as `after_rollback` and done afterwards in a transaction of its own.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        credential = self._credential(request)
        if credential is None:
            return self.get_response(request)
        with in_workshop(credential.workshop_id):
            request.actor = _actor(request, credential)  # type: ignore[attr-defined]
            response = self.get_response(request)
            if response.status_code >= 400:
                transaction.set_rollback(True)
            else:
                response[EPOCH_HEADER] = str(Installation.objects.values_list("epoch", flat=True).get())
        for action in getattr(request, "after_rollback", ()):
            with in_workshop(credential.workshop_id):
                action()
        return response

    @staticmethod
    def _credential(request: HttpRequest) -> credentials.Credential | None:
        scheme, _, secret = request.headers.get("Authorization", "").partition(" ")
        if scheme.lower() != "bearer" or not secret.strip():
            return None
        return credentials.find("token", secret.strip())


def _actor(request: HttpRequest, credential: credentials.Credential) -> Actor | None:
    now = timezone.now()
    token = AccessToken.objects.select_related("membership").get(pk=credential.id)
    membership = token.membership
    if not membership.is_active:
        return None
    _note_use(token, now)
    return actor_for(membership, now, token=token, device_at=_device_time(request))


def actor_for(
    membership: Membership,
    now: datetime,
    *,
    token: AccessToken | None = None,
    device_at: datetime | None = None,
) -> Actor:
    """A member acting now."""
    return Actor(
        workshop_id=membership.workshop_id,
        now=now,
        membership_id=membership.pk,
        user_id=membership.user_id,
        roles=frozenset(membership.roles),
        scopes=frozenset(token.scopes) if token else frozenset(),
        operator_id=membership.operator_id,
        may_approve=membership.may_approve,
        device_at=device_at,
        token_id=token.pk if token else None,
    )


def _note_use(token: AccessToken, now: datetime) -> None:
    if token.last_used_at is None or now - token.last_used_at > USE_NOTED_EVERY:
        AccessToken.objects.filter(pk=token.pk).update(last_used_at=now)


def _device_time(request: HttpRequest) -> datetime | None:
    """What the tablet's clock says; ignored where it is no time that a record can have."""
    try:
        at: datetime = AwareDateTime().run_validation(request.headers.get(DEVICE_TIME_HEADER))
    except ValidationError:
        return None
    return at

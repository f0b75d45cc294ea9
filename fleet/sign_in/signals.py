"""What django-allauth tells of second factors and passwords, noted for the person and their managers."""

from __future__ import annotations

from functools import partial
from typing import Any

from allauth.account import signals as account_signals
from allauth.mfa import signals as mfa_signals
from allauth.mfa.models import Authenticator
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone

from fleet import services
from fleet.models import SignInEvent, User

from .addresses import address_of
from .binding import MEANS
from .limits import is_locked_out
from .refusals import note_refusal


def on_added(request: HttpRequest, user: User, authenticator: Authenticator, **_more: Any) -> None:
    if authenticator.type != Authenticator.Type.RECOVERY_CODES:
        _note(SignInEvent.Kind.SECOND_FACTOR_ADDED, request, user, MEANS[authenticator.type])


def on_removed(request: HttpRequest, user: User, authenticator: Authenticator, **_more: Any) -> None:
    if authenticator.type != Authenticator.Type.RECOVERY_CODES:
        _note(SignInEvent.Kind.SECOND_FACTOR_REMOVED, request, user, MEANS[authenticator.type])


def on_reset(request: HttpRequest, user: User, **_more: Any) -> None:
    _note(SignInEvent.Kind.RECOVERY_CODES_RENEWED, request, user)


def on_password_changed(request: HttpRequest, user: User, **_more: Any) -> None:
    _note(SignInEvent.Kind.PASSWORD_CHANGED, request, user)


def on_failed(request: HttpRequest, user: User, **_more: Any) -> None:
    is_last = is_locked_out(request, f"mfa-auth-user-{user.pk}")
    note_refusal(request, user.email, "second factor", is_last=is_last)


def connect() -> None:
    """Called once, when all apps are there."""
    mfa_signals.authenticator_added.connect(on_added)
    mfa_signals.authenticator_removed.connect(on_removed)
    mfa_signals.authenticator_reset.connect(on_reset)
    mfa_signals.authentication_failed.connect(on_failed)
    account_signals.password_changed.connect(on_password_changed)


def _note(kind: SignInEvent.Kind, request: HttpRequest, user: User, how: str = "") -> None:
    """After the request's own transaction, which belongs to one workshop: the account may belong to several."""
    note = partial(
        services.account_event_note,
        user_id=user.pk,
        kind=kind,
        now=timezone.now(),
        how=how,
        address=address_of(request),
    )
    transaction.on_commit(note)

"""Failed attempts to sign in, noted."""

from __future__ import annotations

from functools import partial

from django.http import HttpRequest
from django.utils import timezone

from fleet import services
from fleet.models import RefusedSignIn

from .addresses import address_of


def note_refusal(request: HttpRequest, email: str, how: str, *, is_last: bool) -> None:
    """Keep a failed attempt; `is_last` says that from now on the next ones are not even looked at.

    Where the request is served within a workshop its refusal rolls that back, so the note is made afterwards.
    """
    kind = RefusedSignIn.Kind.LOCKED_OUT if is_last else RefusedSignIn.Kind.FAILED
    address, now = address_of(request), timezone.now()
    note = partial(services.refusal_note, email=email, kind=kind, now=now, how=how, address=address)
    if hasattr(request, "workshop_id"):
        request.after_rollback = [*getattr(request, "after_rollback", ()), note]  # type: ignore[attr-defined]
    else:
        note()

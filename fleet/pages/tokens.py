"""Tokens of an integrator, which is a program: made with what it may do and until when, shown once, revoked."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any, ClassVar, Final
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet import services
from fleet.api.resources import found
from fleet.api.tokens import SCOPES, IntegratorTokenInput
from fleet.models import AccessToken, Membership, Role
from fleet.permissions import Permission

from .bodies import BodyForm
from .changing import FormPage
from .workshop_page import WorkshopPage

SCOPE_WORDS: Final[Mapping[str, Any]] = {
    "read": gettext_lazy("Read everything of the workshop but its tokens"),
    "vehicles:write": gettext_lazy("Add and change vehicles"),
    "facts:write": gettext_lazy("Record work: jobs, readings, set-points, tyres, events"),
    "checks:write": gettext_lazy("Record height checks between jobs"),
}
Issued = tuple[AccessToken, str]


class TokenForm(BodyForm):
    """What the program is called, what it may do, and until when."""

    body_class = IntegratorTokenInput
    labels: ClassVar = {
        "device": gettext_lazy("Name of the program"),
        "scopes": gettext_lazy("What it may do"),
        "expires_at": gettext_lazy("Ends"),
    }
    hints: ClassVar = {
        "device": gettext_lazy("By which this token is found again."),
        "scopes": gettext_lazy("Only what the program needs. It never signs off, approves, rules or sets up."),
        "expires_at": gettext_lazy("Left empty: in 90 days."),
    }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["scopes"].choices = [(scope, SCOPE_WORDS[scope]) for scope in SCOPES]  # type: ignore[attr-defined]


class TokensView(FormPage):
    """`/people/<id>/tokens/`: sent twice, the form gives the same token another secret; only the latest one holds."""

    template = "fleet/setup/tokens.html"
    form_class = TokenForm
    model = AccessToken
    kind = AccessToken._meta.label_lower
    submit = gettext_lazy("Make a token")

    @cached_property
    def person(self) -> Membership:
        return found(Membership.objects.filter(roles__contains=[Role.INTEGRATOR]), self.kwargs["person"])

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        assert self.person  # not found otherwise
        return super().get(request, **kwargs)

    def make(self, record_id: UUID, values: dict[str, Any]) -> Issued:
        return services.integrator_token_issue(actor=self.actor, record_id=record_id, membership=self.person, **values)

    def find(self, record_id: UUID) -> Issued:
        return services.token_renew_secret(actor=self.actor, token_id=record_id)

    def answer(self, made: Issued) -> HttpResponse:
        token, secret = made
        values = {"person": self.person, "token": token, "secret": secret, "scopes": words_of(token)}
        return render(self.request, "fleet/setup/token_made.html", values)

    def cancel_url(self) -> str:
        return reverse("person", args=[self.person.pk])

    def context(self) -> Mapping[str, Any]:
        tokens = [(token, words_of(token)) for token in self.person.tokens.filter(tablet=None)]
        now = self.actor.now
        holding = [each for each in tokens if each[0].revoked_at is None and not _has_ended(each[0], now)]
        return {
            "person": self.person,
            "holding": holding,
            "ended": [each for each in tokens if each not in holding],
        }


class TokenRevocationView(WorkshopPage):
    """`/people/<id>/tokens/<id>/revocation/`: harmless when repeated."""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, person: UUID, token: UUID) -> HttpResponse:
        owned = found(AccessToken.objects.filter(membership=person, tablet=None), token)
        services.token_revoke(actor=self.actor, token_id=owned.pk)
        messages.success(request, _("The token “%(name)s” is revoked. It holds no longer.") % {"name": owned.device})
        return redirect("person_tokens", person=person)


def words_of(token: AccessToken) -> list[Any]:
    """What a token may do."""
    return [SCOPE_WORDS.get(scope, scope) for scope in token.scopes]


def _has_ended(token: AccessToken, now: Any) -> bool:
    return token.expires_at is not None and token.expires_at <= now

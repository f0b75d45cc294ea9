"""Who may open a page: whoever has signed in and chosen a workshop; others are led there."""

from __future__ import annotations

from typing import Any, ClassVar, Final

from django.contrib import messages
from django.contrib.auth import REDIRECT_FIELD_NAME
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext_lazy as _
from django.views.generic.base import View

from fleet.actor import Actor
from fleet.sign_in.kept_entries import FormT, fill_in, keep_entries

AFTER_SIGNING_IN: Final = "today"
NOTHING_SENT: Final = ("GET", "HEAD")
KEPT = _(
    "Your session had ended, so nothing is stored yet. What you typed is kept for an hour: sign in as the same person, "
    "and it stands in the form again."
)
NOT_KEPT = _(
    "Your session had ended, so nothing of what you sent was stored. By your browser’s back button you may still see "
    "what you typed."
)
FILLED_IN = _("Your session had ended. What you typed stands here again; nothing of it is stored until you send it.")


class MemberView(View):
    """A page of a workshop. `actor` is who opens it; `fleet.permissions` says what they may."""

    keeps_entries: ClassVar[bool] = False
    """Whether its form, sent after the session has ended, is filled in again (`filled_in`) when the person is back."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if actor_of(request) is None:
            return self._lead_to_signing_in(request)
        return super().dispatch(request, *args, **kwargs)

    def _lead_to_signing_in(self, request: HttpRequest) -> HttpResponse:
        if request.method in NOTHING_SENT:
            return lead_to_signing_in(request, request.get_full_path())
        is_kept = self.keeps_entries and keep_entries(request)
        messages.warning(request, KEPT if is_kept else NOT_KEPT)
        return lead_to_signing_in(request, request.get_full_path() if hasattr(self, "get") else "")

    def filled_in(self, form: FormT) -> FormT:
        """A new form of the page, with what was sent when the session had ended."""
        if fill_in(self.request, form):
            messages.warning(self.request, FILLED_IN)
        return form

    @property
    def actor(self) -> Actor:
        actor = actor_of(self.request)
        assert actor is not None  # dispatch
        return actor


def actor_of(request: HttpRequest) -> Actor | None:
    """The acting person, where a browser's session is bound to a workshop."""
    actor: Actor | None = getattr(request, "actor", None)
    return actor


def lead_to_signing_in(request: HttpRequest, back: str) -> HttpResponse:
    """To the sign-in, or where somebody has signed in to the choice of the workshop; then back to a page."""
    target = "choose_workshop" if request.user.is_authenticated else "account_login"
    return redirect_to_login(back, reverse(target))


def wanted_page(request: HttpRequest) -> str:
    """Where the person was going, if that is a page of ours."""
    wanted = request.POST.get(REDIRECT_FIELD_NAME) or request.GET.get(REDIRECT_FIELD_NAME) or ""
    is_ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if wanted and is_ours else reverse(AFTER_SIGNING_IN)

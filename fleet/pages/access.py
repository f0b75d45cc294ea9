"""Who may open a page: whoever has signed in and chosen a workshop; others are led there."""

from __future__ import annotations

from typing import Any, Final

from django.contrib.auth import REDIRECT_FIELD_NAME
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.generic.base import View

from fleet.actor import Actor

AFTER_SIGNING_IN: Final = "today"


class MemberView(View):
    """A page of a workshop. `actor` is who opens it; `fleet.permissions` says what they may."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if actor_of(request) is None:
            return lead_to_signing_in(request)
        return super().dispatch(request, *args, **kwargs)

    @property
    def actor(self) -> Actor:
        actor = actor_of(self.request)
        assert actor is not None  # dispatch
        return actor


def actor_of(request: HttpRequest) -> Actor | None:
    """The acting person, where a browser's session is bound to a workshop."""
    actor: Actor | None = getattr(request, "actor", None)
    return actor


def lead_to_signing_in(request: HttpRequest) -> HttpResponse:
    """To the sign-in, or where somebody has signed in to the choice of the workshop; then back here."""
    target = "choose_workshop" if request.user.is_authenticated else "account_login"
    back = request.get_full_path() if request.method in {"GET", "HEAD"} else ""
    return redirect_to_login(back, reverse(target))


def wanted_page(request: HttpRequest) -> str:
    """Where the person was going, if that is a page of ours."""
    wanted = request.POST.get(REDIRECT_FIELD_NAME) or request.GET.get(REDIRECT_FIELD_NAME) or ""
    is_ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if wanted and is_ours else reverse(AFTER_SIGNING_IN)

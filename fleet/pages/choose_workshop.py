"""Choosing the workshop to work in, by whoever belongs to several."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache
from django.views.generic.base import View

from fleet.credentials import memberships_of
from fleet.errors import NotFound
from fleet.models import User
from fleet.sign_in.binding import bind, bind_to_only_workshop

from .access import NOTHING_SENT, lead_to_signing_in, wanted_page


@method_decorator(never_cache, name="dispatch")
class ChooseWorkshopView(View):
    """`/choose-workshop/`: served outside any workshop's transaction."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not isinstance(request.user, User):
            return lead_to_signing_in(request, request.get_full_path() if request.method in NOTHING_SENT else "")
        return super().dispatch(request, *args, **kwargs)

    def get(self, request: HttpRequest) -> HttpResponse:
        person = self.person
        if bind_to_only_workshop(request, person):
            return redirect(wanted_page(request))
        memberships = memberships_of(person.pk)
        values = {"memberships": memberships, "next": wanted_page(request)}
        return render(request, "fleet/choose_workshop.html", values, status=200 if memberships else 403)

    def post(self, request: HttpRequest) -> HttpResponse:
        bind(request, self.person, _chosen(request))
        return redirect(wanted_page(request))

    @property
    def person(self) -> User:
        person = self.request.user
        assert isinstance(person, User)  # dispatch
        return person


def _chosen(request: HttpRequest) -> UUID:
    try:
        return UUID(request.POST.get("workshop", ""))
    except ValueError:
        raise NotFound from None

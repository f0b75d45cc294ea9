"""Setting one's own PIN."""

from __future__ import annotations

from typing import Any

from allauth.account.internal.flows.reauthentication import is_reauthentication_required
from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.decorators import method_decorator
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters

from fleet import services
from fleet.api.throttling import PasswordThrottle
from fleet.errors import Invalid
from fleet.models import Membership, User
from fleet.services.changes import acting_person
from fleet.sign_in.addresses import address_of
from fleet.sign_in.passwords import password_proved

from .access import MemberView
from .limits import require_few
from .own_secrets import PinForm


def has_no_password(request: HttpRequest) -> bool:
    """Signed in by other means, the person proves by them that it is still they."""
    return isinstance(request.user, User) and not request.user.has_usable_password()


@method_decorator(sensitive_post_parameters("password", "pin", "pin_again"), name="dispatch")
class PinView(MemberView):
    """`/account/pin/`: sent twice it changes nothing more."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if has_no_password(request) and is_reauthentication_required(request, app=""):
            # Not by django-allauth's own way there, which would keep what was typed in the session.
            return redirect_to_login(request.path, reverse("account_reauthenticate"))
        return super().dispatch(request, *args, **kwargs)

    def get(self, request: HttpRequest) -> HttpResponse:
        return self._page(PinForm(has_password=not has_no_password(request)))

    def post(self, request: HttpRequest) -> HttpResponse:
        require_few(PasswordThrottle(), request, self)
        form = PinForm(request.POST, has_password=not has_no_password(request))
        if not (form.is_valid() and self._is_proved(form) and self._is_set(form)):
            return self._page(form, status=422)
        messages.success(request, _("Your PIN is set."))
        return redirect("account")

    def _is_proved(self, form: PinForm) -> bool:
        """Wrong passwords count as they do where one signs in."""
        if "password" not in form.fields:
            return True
        user: Any = self.request.user
        if password_proved(self.request, user.email, form.cleaned_data["password"]) is None:
            form.add_error("password", _("This is not your password."))
        return form.is_valid()

    def _is_set(self, form: PinForm) -> bool:
        values = {"password": form.cleaned_data.get("password"), "pin": form.cleaned_data["pin"]}
        try:
            services.pin_set(actor=self.actor, address=address_of(self.request), **values)
        except Invalid as refused:
            for error in refused.errors:
                form.add_error(error.pointer.strip("/"), str(error.detail))
        return form.is_valid()

    def _page(self, form: PinForm, status: int = 200) -> HttpResponse:
        me = acting_person(self.actor, Membership.objects.select_related("user"))
        return render(self.request, "fleet/pin.html", {"form": form, "me": me}, status=status)

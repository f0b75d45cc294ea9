"""The page behind the link of an invitation: the invited person sets their own password and PIN."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.generic.base import View

from fleet import services
from fleet.api.throttling import SignInAddressThrottle, SignInPersonThrottle
from fleet.credentials import Credential, find
from fleet.errors import Invalid, NotFound, TooMany
from fleet.models import Membership
from fleet.sign_in.passwords import require_own_password
from fleet.tenancy import in_workshop

from .forms import AcceptanceForm


@method_decorator(sensitive_post_parameters("password", "pin"), name="dispatch")
class InvitationView(View):
    """`/invitation/<code>/`: served outside any workshop's transaction; works without a script."""

    def get(self, request: HttpRequest, code: str) -> HttpResponse:
        return self._page(AcceptanceForm(), _invitation(code))

    def post(self, request: HttpRequest, code: str) -> HttpResponse:
        self._require_few_attempts()
        invitation = _invitation(code)
        form = AcceptanceForm(request.POST)
        if not (form.is_valid() and self._accepted(form, invitation)):
            return self._page(form, invitation, status=422)
        messages.success(request, _("Welcome. Sign in with your e-mail address and password."))
        return redirect("account_login")

    def _accepted(self, form: AcceptanceForm, invitation: Credential) -> bool:
        values: dict[str, Any] = {"password": form.cleaned_data["password"], "pin": form.cleaned_data["pin"] or None}
        try:
            require_own_password(self.request, invitation, values["password"])
            services.invitation_accept(credential=invitation, now=timezone.now(), **values)
        except Invalid as refused:
            for error in refused.errors:
                form.add_error(error.pointer.strip("/"), str(error.detail))
            return False
        return True

    def _page(self, form: AcceptanceForm, invitation: Credential, status: int = 200) -> HttpResponse:
        with in_workshop(invitation.workshop_id):
            person = Membership.objects.select_related("user", "workshop").get(pk=invitation.person_id)
        return render(self.request, "fleet/invitation.html", {"form": form, "person": person}, status=status)

    def _require_few_attempts(self) -> None:
        """The same limits as those of the interface."""
        for throttle in (SignInAddressThrottle(), SignInPersonThrottle()):
            if not throttle.allow_request(self.request, self):  # type: ignore[arg-type]  # it asks for address and code
                raise TooMany(retry_after_s=int(throttle.wait() or 0) + 1)


def _invitation(code: str) -> Credential:
    invitation = find("invitation", code)
    if invitation is None:
        raise NotFound(_("This code is unknown or expired. Ask your manager to invite you again."))
    return invitation

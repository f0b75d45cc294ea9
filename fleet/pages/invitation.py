"""The page behind the link of an invitation: the invited person sets their own password and PIN."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.generic.base import View

from fleet import services
from fleet.api.throttling import SignInAddressThrottle, SignInPersonThrottle
from fleet.callers import actor_for
from fleet.credentials import Credential, find
from fleet.errors import Invalid, NotFound, TooMany
from fleet.models import Membership
from fleet.permissions import Permission, may
from fleet.sign_in.passwords import require_own_password
from fleet.tenancy import in_workshop

from .forms import AcceptanceForm
from .public_address import BENCH, public_address


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
        return redirect("invitation_accepted", code=code)

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
        person, _is_accepted = _invited(invitation)
        return render(self.request, "fleet/invitation.html", {"form": form, "person": person}, status=status)

    def _require_few_attempts(self) -> None:
        """The same limits as those of the interface."""
        for throttle in (SignInAddressThrottle(), SignInPersonThrottle()):
            if not throttle.allow_request(self.request, self):  # type: ignore[arg-type]  # it asks for address and code
                raise TooMany(retry_after_s=int(throttle.wait() or 0) + 1)


class AcceptedView(View):
    """`/invitation/<code>/accepted/`: how one gets in from now on, at the desk and at a tablet."""

    def get(self, request: HttpRequest, code: str) -> HttpResponse:
        person, is_accepted = _invited(_invitation(code))
        if not is_accepted:
            return redirect("invitation", code=code)
        values = {
            "person": person,
            "works_at_tablets": may(actor_for(person, timezone.now()), Permission.RECORD_FACTS),
            "bench": public_address(request, BENCH),
        }
        return render(request, "fleet/invitation_accepted.html", values)


def _invited(invitation: Credential) -> tuple[Membership, bool]:
    """The person, and whether they have accepted."""
    with in_workshop(invitation.workshop_id):
        person = Membership.objects.select_related("user", "workshop").get(pk=invitation.person_id)
        return person, person.invitations.filter(pk=invitation.id, accepted_at__isnull=False).exists()


def _invitation(code: str) -> Credential:
    invitation = find("invitation", code)
    if invitation is None:
        raise NotFound(_("This code is unknown or expired. Ask your manager to invite you again."))
    return invitation

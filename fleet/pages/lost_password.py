"""A lost password: a manager has a link sent, and the person behind it sets a new one."""

from __future__ import annotations

from uuid import UUID

from allauth.account.adapter import get_adapter
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.generic.base import View

from fleet import services
from fleet.api.resources import found
from fleet.api.throttling import PasswordLinkThrottle, SignInAddressThrottle, SignInPersonThrottle
from fleet.errors import Invalid
from fleet.models import Membership
from fleet.permissions import Permission
from fleet.sign_in.addresses import address_of

from .limits import require_few
from .own_secrets import NewPasswordForm
from .workshop_page import WorkshopPage


class PasswordLinkView(WorkshopPage):
    """`/people/<id>/password-link/`: the answer is the same wherever e-mail goes, and holds no link."""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, person: UUID) -> HttpResponse:
        member: Membership = found(Membership.objects.all(), person)
        require_few(PasswordLinkThrottle(), request, self)
        services.password_link_ask(actor=self.actor, person=member)
        said = _("%(name)s is sent a link to set a new password. It holds for one hour; earlier ones have ended.")
        messages.success(request, said % {"name": member.name})
        return redirect("person", person=member.pk)


@method_decorator(sensitive_post_parameters("password", "password_again"), name="dispatch")
class NewPasswordView(View):
    """`/new-password/<code>/`: served outside any workshop's transaction; works without a script."""

    def get(self, request: HttpRequest, code: str) -> HttpResponse:
        return self._page(NewPasswordForm(), code)

    def post(self, request: HttpRequest, code: str) -> HttpResponse:
        for throttle in (SignInAddressThrottle(), SignInPersonThrottle()):
            require_few(throttle, request, self)
        form = NewPasswordForm(request.POST)
        if not (form.is_valid() and self._is_set(form, code)):
            return self._page(form, code, status=422)
        said = _("Your new password is set, and you are signed out everywhere. Sign in with it.")
        messages.success(request, said)
        return redirect("account_login")

    def _is_set(self, form: NewPasswordForm, code: str) -> bool:
        """A lock that guesses at the old password brought about ends with it."""
        password, address = form.cleaned_data["password"], address_of(self.request)
        try:
            user = services.password_reset(code=code, password=password, now=timezone.now(), address=address)
        except Invalid as refused:
            for error in refused.errors:
                form.add_error(error.pointer.strip("/"), str(error.detail))
            return False
        get_adapter(self.request).forget_failures(user.email)
        return True

    def _page(self, form: NewPasswordForm, code: str, status: int = 200) -> HttpResponse:
        account = services.password_link_account(code)
        return render(self.request, "fleet/new_password.html", {"form": form, "account": account}, status=status)

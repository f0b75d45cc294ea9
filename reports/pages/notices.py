"""Which e-mails somebody gets: chosen in one's account, or ended by the link at an e-mail's end, without signing in."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.csrf import csrf_exempt
from django.views.generic.base import View

from fleet.actor import Actor
from fleet.models import Membership
from fleet.pages.access import MemberView
from fleet.services.changes import acting_person
from fleet.tenancy import in_workshop

from ..models import Notice
from ..selectors.notices import declined_by, notices_for, read_stop_code
from ..services.notices import notice_decline, notices_choose


class NoticesForm(forms.Form):
    """One box for each kind of e-mail that the person may get."""

    use_required_attribute = False

    wanted = forms.MultipleChoiceField(
        label=gettext_lazy("E-mails to you"), required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, offered: list[Notice], **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["wanted"].choices = [(kind.value, kind.label) for kind in offered]  # type: ignore[attr-defined]


class OwnNoticesView(MemberView):
    """`/account/notices/`"""

    keeps_entries = True

    def get(self, request: HttpRequest) -> HttpResponse:
        me, offered = self._offered()
        wanted = [kind.value for kind in offered if kind not in declined_by(me)]
        return self._page(self.filled_in(NoticesForm(initial={"wanted": wanted}, offered=offered)), offered)

    def post(self, request: HttpRequest) -> HttpResponse:
        _me, offered = self._offered()
        form = NoticesForm(request.POST, offered=offered)
        if not form.is_valid():
            return self._page(form, offered, HTTPStatus.UNPROCESSABLE_ENTITY)
        notices_choose(actor=self.actor, wanted=form.cleaned_data["wanted"])
        messages.success(request, _("You get the e-mails that you chose."))
        return redirect("account")

    def _offered(self) -> tuple[Membership, list[Notice]]:
        me = acting_person(self.actor, Membership.objects.all())
        return me, notices_for(me)

    def _page(self, form: NoticesForm, offered: list[Notice], status: int = HTTPStatus.OK) -> HttpResponse:
        values = {"form": form, "has_kinds": bool(offered)}
        return render(self.request, "reports/pages/notices.html", values, status=status)


@method_decorator(csrf_exempt, name="dispatch")  # mail programs press the button themselves (RFC 8058)
class StopNoticeView(View):
    """`/notices/<code>/`: looking at it changes nothing, so that a mail filter which opens links ends nothing."""

    def get(self, request: HttpRequest, code: str) -> HttpResponse:
        kind = self._read(code)[2]
        return render(request, "reports/pages/notice_stop.html", {"kind": kind.label, "is_done": False})

    def post(self, request: HttpRequest, code: str) -> HttpResponse:
        workshop, recipient, kind = self._read(code)
        with in_workshop(workshop):
            notice_decline(actor=Actor.system(workshop, timezone.now()), recipient=recipient, kind=kind)
        return render(request, "reports/pages/notice_stop.html", {"kind": kind.label, "is_done": True})

    def _read(self, code: str) -> Any:
        found = read_stop_code(code)
        if found is None:
            raise Http404
        return found

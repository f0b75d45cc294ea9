"""The address of one's own calendar: made, shown once, made anew, withdrawn; and the file that programs read there."""

from __future__ import annotations

import hashlib
from typing import Final

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.translation import gettext as _
from django.views.generic.base import View

from fleet.models import CalendarFeed
from fleet.pages.access import MemberView
from fleet.services import (
    calendar_feed_make,
    calendar_feed_reader,
    calendar_feed_withdraw,
    calendar_feed_workshop,
)
from fleet.tenancy import in_workshop

from ..calendar_file import calendar_file

KEPT_S: Final = 900
"""For so long a program may show what it has read without asking again."""


class OwnCalendarView(MemberView):
    """`/account/calendar/`: sent again, the form makes another address, and only the latest one holds."""

    def get(self, request: HttpRequest) -> HttpResponse:
        feed = CalendarFeed.objects.filter(membership=self.actor.membership_id).first()
        return render(request, "reports/pages/calendar.html", {"feed": feed})

    def post(self, request: HttpRequest) -> HttpResponse:
        values = {"address": calendar_address(calendar_feed_make(actor=self.actor))}
        response = render(request, "reports/pages/calendar_made.html", values)
        response["Cache-Control"] = "no-store"
        return response


class WithdrawCalendarView(MemberView):
    """`/account/calendar/withdrawal/`: harmless when repeated."""

    def post(self, request: HttpRequest) -> HttpResponse:
        calendar_feed_withdraw(actor=self.actor)
        messages.success(request, _("The address is withdrawn. Programs that have it read nothing more."))
        return redirect("own_calendar")


class CalendarFileView(View):
    """`/calendar/<code>/levelbook.ics`, without signing in: the code is the proof, and names whose calendar it is."""

    http_method_names = ["get", "head", "options"]

    def get(self, request: HttpRequest, code: str) -> HttpResponseBase:
        workshop_id, now = calendar_feed_workshop(code), timezone.now()
        if workshop_id is None:
            raise Http404
        with in_workshop(workshop_id):
            person = calendar_feed_reader(code=code, now=now)
            if person is None:
                raise Http404
            content = calendar_file(person, now)
        response = HttpResponse(content, content_type="text/calendar; charset=utf-8")
        response["Content-Disposition"] = 'inline; filename="levelbook.ics"'
        response["Cache-Control"] = f"private, max-age={KEPT_S}"
        response["X-Robots-Tag"] = "noindex"
        response["ETag"] = etag = f'"{hashlib.sha256(content).hexdigest()}"'
        return get_conditional_response(request, etag=etag, response=response) or response


def calendar_address(code: str) -> str:
    return settings.PUBLIC_URL + reverse("calendar_file", args=[code])

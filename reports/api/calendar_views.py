"""The secret address of one's own calendar, over HTTP."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import AwareDateTime
from fleet.api.inputs import RequestBody
from fleet.api.resources import ActionViewSet
from fleet.errors import NotFound
from fleet.models import CalendarFeed, Membership
from fleet.services import calendar_feed_make, calendar_feed_withdraw
from fleet.services.changes import acting_person

from ..pages.calendar import calendar_address


class CalendarFeedSerializer(serializers.Serializer[CalendarFeed]):
    """That there is an address, which is not told again."""

    made_at = AwareDateTime()
    last_read_at = AwareDateTime(
        allow_null=True, help_text=_("When a program last read it, to within ten minutes; null: never.")
    )


class CalendarAddressSerializer(serializers.Serializer[Any]):
    """A new address, shown this once."""

    address = serializers.CharField(
        help_text=_("Where programs read the calendar (RFC 5545) without a token. Whoever has it can read it.")
    )


class CalendarInput(RequestBody):
    """Nothing: `{}`."""


class OwnCalendarView(ActionViewSet):
    """`/me/calendar/`"""

    queryset = CalendarFeed.objects.all()
    serializer_class = CalendarFeedSerializer
    summaries = {
        "retrieve": _("Whether one's own calendar has an address, and when it was last read there."),
        "make": _("Make the address of one's own calendar, or another one: the one before then leads nowhere."),
        "destroy": _("Withdraw the address of one's own calendar."),
    }

    def retrieve(self, request: Request) -> Response:
        person = acting_person(self.actor, Membership.objects.all())
        feed = CalendarFeed.objects.filter(membership=person).first()
        if feed is None:
            raise NotFound(_("Your calendar has no address. Make one with PUT."))
        return Response(CalendarFeedSerializer(feed).data)

    @extend_schema(request=CalendarInput, responses=CalendarAddressSerializer)
    def make(self, request: Request) -> Response:
        self.validated(CalendarInput)
        response = Response({"address": calendar_address(calendar_feed_make(actor=self.actor))})
        response["Cache-Control"] = "no-store"
        return response

    @extend_schema(responses={204: None})
    def destroy(self, request: Request) -> Response:
        calendar_feed_withdraw(actor=self.actor)
        return Response(status=HTTPStatus.NO_CONTENT)

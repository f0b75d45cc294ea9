"""The workshop's settings, oneself, and accepting an invitation."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import credentials, services
from fleet.errors import NotFound
from fleet.models import Membership, Role, Workshop
from fleet.permissions import Permission, require
from fleet.services.changes import acting_person
from fleet.sign_in.addresses import address_of
from fleet.sign_in.passwords import require_own_password
from fleet.time_zones import is_time_zone

from .choices import Choice, ListOf
from .etags import expected_versions
from .fields import StrictBoolean, TrimmedText
from .inputs import PasswordField, PinField, RequestBody, VersionNumber
from .resources import SIGN_IN_THROTTLES, ActionViewSet
from .throttling import PasswordThrottle
from .tokens import UserSerializer, require_not_elsewhere

SIGNING_IN_ROLES = [role.value for role in Role if role is not Role.INTEGRATOR]
"""Of people; a program has no second factor."""


class WorkshopChanges(RequestBody):
    """Settings of the workshop."""

    name = TrimmedText(max_length=120, help_text=_("As it stands on certificates."))
    address = TrimmedText(
        max_length=400, allow_blank=True, lines=True, help_text=_("As it stands on certificates, in lines.")
    )
    email = serializers.EmailField(max_length=254, allow_blank=True, help_text=_("Where customers write to."))
    telephone = TrimmedText(max_length=40, allow_blank=True, help_text=_("Where customers call."))
    time_zone = TrimmedText(max_length=64, help_text=_("Of days, pages and certificates: a zone like Europe/Vienna."))
    language = Choice(settings.LANGUAGES, help_text=_("Of certificates and e-mails."))
    length_unit = Choice(Workshop.LengthUnit.choices, help_text=_("How heights are shown; records are kept in mm."))
    page_size = Choice(Workshop.PageSize.choices, help_text=_("Paper of certificates."))
    single_person = StrictBoolean(
        help_text=_("One person approves alone. Refused, and switched off, when a second one may approve.")
    )
    second_factor_required_for = ListOf(
        child=Choice(SIGNING_IN_ROLES),
        max_length=len(SIGNING_IN_ROLES),
        help_text=_("Roles of people who must set up a second factor before anything else."),
    )

    def validate_second_factor_required_for(self, value: list[str]) -> list[str]:
        return sorted(set(value))

    def validate_time_zone(self, value: str) -> str:
        if not is_time_zone(value):
            raise ValidationError([ErrorDetail(str(_("Must be a zone like Europe/Vienna.")), "unknown_time_zone")])
        return value


class WorkshopSerializer(WorkshopChanges):
    """The workshop."""

    id = serializers.UUIDField()
    version = VersionNumber()


class UnitsSerializer(serializers.Serializer[Any]):
    """How figures are shown to a person; records are kept in millimetres."""

    length = serializers.ChoiceField(["mm", "inch"])


class UnitsChanges(RequestBody):
    """A preference; empty: as the workshop."""

    length = Choice(
        Membership.LengthUnit.choices, allow_blank=True, help_text=_("How heights are shown to oneself; empty: as set.")
    )


class LanguageChanges(RequestBody):
    """A preference; empty: pages as the browser asks, e-mails as the workshop's."""

    language = Choice(
        settings.LANGUAGES, allow_blank=True, help_text=_("Of one's own pages and e-mails; empty: as asked for.")
    )


class WorkshopNameSerializer(serializers.Serializer[Workshop]):
    """A workshop by name."""

    id = serializers.UUIDField()
    name = serializers.CharField()


class MeSerializer(serializers.Serializer[Membership]):
    """The acting person in their workshop."""

    user = UserSerializer(source="*")
    workshop = WorkshopNameSerializer()
    roles = serializers.ListField(child=serializers.ChoiceField(Role.choices))
    operator = serializers.UUIDField(source="operator_id", allow_null=True)
    may_approve = serializers.SerializerMethodField()
    has_pin = serializers.SerializerMethodField()
    units = serializers.SerializerMethodField()
    language = serializers.CharField(help_text=_("Of one's own pages and e-mails; empty: as asked for."))

    def get_may_approve(self, person: Membership) -> bool:
        return person.can_decide

    def get_has_pin(self, person: Membership) -> bool:
        return bool(person.pin)

    @extend_schema_field(UnitsSerializer)
    def get_units(self, person: Membership) -> dict[str, str]:
        return {"length": person.length_unit or person.workshop.length_unit}


class PinInput(RequestBody):
    """One's own password, and the PIN to be."""

    password = PasswordField(help_text=_("One's own password, as proof."))
    pin = PinField(help_text=_("The PIN to be, 4 to 8 digits as text; none that is easily guessed, such as 1234."))


class AcceptanceInput(RequestBody):
    """One's own password (an account that has one must prove it) and PIN."""

    password = PasswordField(
        help_text=_("The password to be, at least 12 characters; or the one that the account has.")
    )
    pin = PinField(
        required=False,
        help_text=_("The PIN to be, 4 to 8 digits as text; none that is easily guessed. Needed to sign off."),
    )


class AcceptedSerializer(serializers.Serializer[Membership]):
    """Who accepted."""

    user = UserSerializer(source="*")


class WorkshopView(ActionViewSet):
    """`/workshop/`"""

    queryset = Workshop.objects.all()
    serializer_class = WorkshopSerializer
    update_serializer_class = WorkshopChanges
    summaries = {
        "retrieve": _("The workshop and its settings."),
        "partial_update": _("Change settings of the workshop."),
    }

    def retrieve(self, request: Request) -> Response:
        require(self.actor, Permission.READ_WORKSHOP)
        return Response(WorkshopSerializer(Workshop.objects.get()).data)

    def partial_update(self, request: Request) -> Response:
        require(self.actor, Permission.SET_UP)
        serializer = WorkshopChanges(data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        workshop = services.workshop_update(
            actor=self.actor,
            expected_versions=expected_versions(request),
            changes=dict(serializer.validated_data),
        )
        return Response(WorkshopSerializer(workshop).data)


class MeView(ActionViewSet):
    """`/me/`"""

    queryset = Membership.objects.all()
    serializer_class = MeSerializer
    summaries = {
        "retrieve": _("The acting person, their workshop, roles and units."),
        "set_pin": _("Set one's own PIN, proved by one's own password."),
        "set_units": _("Choose how lengths are shown to oneself."),
        "set_language": _("Choose the language of one's own pages and e-mails."),
    }
    examples = {
        "set_pin": [OpenApiExample("a PIN", {"password": "…", "pin": "0471"}, request_only=True)],
    }

    def get_throttles(self) -> list[Any]:
        return [PasswordThrottle()] if self.action == "set_pin" else super().get_throttles()

    def retrieve(self, request: Request) -> Response:
        return self._me()

    @extend_schema(request=PinInput, responses=MeSerializer)
    def set_pin(self, request: Request) -> Response:
        services.pin_set(actor=self.actor, address=address_of(request), **self.validated(PinInput))
        return self._me()

    @extend_schema(request=UnitsChanges, responses=MeSerializer)
    def set_units(self, request: Request) -> Response:
        services.preferences_set(actor=self.actor, length_unit=self.validated(UnitsChanges)["length"])
        return self._me()

    @extend_schema(request=LanguageChanges, responses=MeSerializer)
    def set_language(self, request: Request) -> Response:
        services.preferences_set(actor=self.actor, **self.validated(LanguageChanges))
        return self._me()

    def _me(self) -> Response:
        me = acting_person(self.actor, Membership.objects.select_related("user", "workshop"))
        return Response(MeSerializer(me).data)


class AcceptanceView(ActionViewSet):
    """`/invitations/{code}/acceptance/`"""

    queryset = Membership.objects.all()
    serializer_class = AcceptedSerializer
    create_serializer_class = AcceptanceInput
    authentication_classes = ()
    permission_classes = (AllowAny,)
    throttle_classes = SIGN_IN_THROTTLES
    summaries = {
        "create": _("Accept an invitation: set one's own password and PIN. No token needed."),
    }
    examples = {
        "create": [
            OpenApiExample("first workshop", {"password": "…", "pin": "0471"}, request_only=True),
        ]
    }

    def create(self, request: Request, code: str) -> Response:
        data = self.validated(AcceptanceInput)
        credential = credentials.find("invitation", code)
        if credential is None:
            raise NotFound(_("This code is unknown or expired. Ask your manager to invite you again."))
        require_not_elsewhere(request, credential.workshop_id)
        require_own_password(request._request, credential, data["password"])
        person, is_new = services.invitation_accept(
            credential=credential, password=data["password"], pin=data.get("pin"), now=timezone.now()
        )
        status = HTTPStatus.CREATED if is_new else HTTPStatus.OK
        return Response(AcceptedSerializer(person).data, status=status)

"""People of the workshop: invited, changed, invited again; and integrators' tokens."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import services
from fleet.actor import Actor
from fleet.models import Invitation, Membership, Role
from fleet.permissions import Permission, require

from .choices import Choice, ListOf
from .fields import AwareDateTime, StrictBoolean, TrimmedText
from .inputs import RecordSerializer, Reference, RequestBody, VersionNumber
from .resources import ChangeableViewSet


class PersonFields(RequestBody):
    """What a manager says about a person."""

    name = TrimmedText(max_length=120, help_text=_("As it stands on certificates."))
    roles = ListOf(
        child=Choice(Role.choices), allow_empty=False, max_length=len(Role), help_text=_("What the person does.")
    )
    operator = Reference(
        required=False, allow_null=True, help_text=_("Id of the operator whose contact this is; only for contacts.")
    )
    may_approve = StrictBoolean(required=False, help_text=_("Whether a person who is no manager may approve."))


class PersonInput(RecordSerializer, PersonFields):
    """An invitation."""

    email = serializers.EmailField(max_length=254, help_text=_("Where the invitation goes."))


class PersonChanges(PersonFields):
    """Changes of a person."""

    is_active = StrictBoolean(required=False, help_text=_("False: signed out everywhere, and may not sign in."))


class PersonSerializer(serializers.Serializer[Membership]):
    """A person of the workshop. `invitation` is there only in the answer that made it."""

    id = serializers.UUIDField()
    email = serializers.EmailField(source="user.email")
    name = serializers.CharField()
    roles = serializers.ListField(child=serializers.ChoiceField(Role.choices))
    operator = serializers.UUIDField(source="operator_id", allow_null=True)
    may_approve = serializers.BooleanField(help_text=_("Whether a person who is no manager may approve."))
    is_active = serializers.BooleanField(help_text=_("False: may not sign in."))
    has_accepted = serializers.BooleanField(help_text=_("False: the invitation is still open."))
    has_pin = serializers.SerializerMethodField()
    created_at = AwareDateTime()
    version = VersionNumber()

    def get_has_pin(self, person: Membership) -> bool:
        return bool(person.pin)


class InvitedPersonSerializer(PersonSerializer):
    """A person with the one-time code of their invitation."""

    invitation = serializers.SerializerMethodField(help_text=_("One-time code, valid for seven days."))
    invitation_expires_at = serializers.SerializerMethodField()

    def get_invitation(self, person: Membership) -> str:
        return services.invitation_code(self._latest(person))

    def get_invitation_expires_at(self, person: Membership) -> str:
        return AwareDateTime().to_representation(self._latest(person).expires_at)

    def _latest(self, person: Membership) -> Invitation:
        return Invitation.objects.filter(membership=person).order_by("-created_at", "-id")[0]


class PersonViewSet(ChangeableViewSet):
    """`/people/`"""

    queryset = Membership.objects.all()
    serializer_class = PersonSerializer
    create_serializer_class = PersonInput
    update_serializer_class = PersonChanges
    ordering = "created_at"
    summaries = {
        "list": _("The people of the workshop."),
        "retrieve": _("One person."),
        "create": _("Invite a person. They set their own password and PIN with the code, which is also e-mailed."),
        "partial_update": _("Change a person's name, roles, operator, right to approve, or whether they are active."),
        "reinvite": _("Invite a person again who has not accepted yet; earlier codes end."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "technician",
                {"email": "kim.arden@example.com", "name": "Kim Arden", "roles": ["technician"]},
                request_only=True,
            )
        ]
    }

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        return InvitedPersonSerializer if self.action in {"create", "reinvite"} else PersonSerializer

    def selector(self, actor: Actor) -> QuerySet[Membership]:
        accepted = Invitation.objects.filter(membership=OuterRef("pk"), accepted_at__isnull=False)
        return Membership.objects.select_related("user").annotate(has_accepted=Exists(accepted))

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Membership:
        services.person_invite(actor=actor, record_id=record_id, **data)
        return self.selector(actor).get(pk=record_id)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        return services.person_update(actor=actor, person_id=record_id, expected_versions=expected, changes=changes)

    @extend_schema(request=RecordSerializer, responses={201: InvitedPersonSerializer, 200: InvitedPersonSerializer})
    def reinvite(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        person: Membership = self.get_object()
        data = self.validated(RecordSerializer)

        def invite(_record_id: UUID) -> Membership:
            services.person_reinvite(actor=self.actor, person=person)
            return person

        _person, code = self.once("person_reinvite", data, invite, lambda _id: person, person=person.pk)
        return Response(self.get_serializer(person).data, status=code)

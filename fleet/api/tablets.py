"""Tablets: enrolled with a one-time code, listed, renamed, revoked; and the person at one, proved by PIN."""

from __future__ import annotations

import base64
from collections.abc import Collection, Mapping
from http import HTTPStatus
from typing import Any, Final
from uuid import UUID

from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import receipts, services
from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.credentials import Credential, find_by_digest
from fleet.models import AccessToken, HeadConflict, Membership, Tablet
from fleet.permissions import Permission
from fleet.selectors.ledger_tree import newest_checkpoint
from fleet.selectors.tablets import people_at_tablets, tablets_seen_by
from fleet.services.tablets import code_digest, code_unknown
from fleet.sign_in.addresses import address_of
from fleet.tenancy import in_workshop

from .authentication import IsTablet
from .checkpoints import CheckpointSerializer
from .fields import AwareDateTime, TrimmedText
from .inputs import PinField, RecordSerializer, Reference, RequestBody, VersionNumber
from .resources import ActionViewSet, ChangeableViewSet
from .throttling import EnrolmentThrottle, TabletPinThrottle
from .tokens import UserSerializer, require_not_elsewhere
from .workshop import WorkshopNameSerializer

LONGEST_CODE: Final = 20
MOST_HEADS: Final = 8


class TabletFields(RequestBody):
    """What may be changed about a tablet."""

    name = TrimmedText(max_length=80, help_text=_("What the workshop calls it."))


class TabletSerializer(TabletFields):
    """A tablet of the workshop."""

    id = serializers.UUIDField()
    enrolled_by = serializers.UUIDField(source="enrolled_by_id", help_text=_("Id of the person, as in `/people/`."))
    enrolled_at = AwareDateTime()
    last_seen_at = AwareDateTime(help_text=_("To within ten minutes."))
    revoked_at = AwareDateTime(allow_null=True)
    version = VersionNumber()


class EnrolmentInput(RecordSerializer):
    """The code from a signed-in page, and what the workshop is to call the device."""

    code = TrimmedText(
        max_length=LONGEST_CODE, help_text=_("The 8 characters; small letters, spaces and hyphens do not matter.")
    )
    device = TrimmedText(max_length=80, help_text=_("Name of the tablet, by which it is found again."))


class EnrolledSerializer(serializers.Serializer[Tablet]):
    """An enrolled tablet with its token, which is shown this once."""

    token = serializers.CharField(help_text=_("Of the tablet itself; it ends when the tablet is revoked."))
    tablet = TabletSerializer(source="*")
    workshop = WorkshopNameSerializer()


class TabletPersonSerializer(serializers.Serializer[Membership]):
    """Somebody who works at tablets."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    has_pin = serializers.SerializerMethodField(help_text=_("Without a PIN nobody can sign in on a tablet."))

    def get_has_pin(self, person: Membership) -> bool:
        return bool(person.pin)


class PersonAtTabletInput(RecordSerializer):
    """Who is at the tablet, proved by their PIN."""

    person = Reference(help_text=_("Id of the person, of `/tablet/people/`."))
    pin = PinField(help_text=_("Their PIN, 4 to 8 digits as text."))


class PersonAtTabletSerializer(serializers.Serializer[AccessToken]):
    """A token for the person at the tablet, which is shown this once."""

    id = serializers.UUIDField()
    token = serializers.CharField(help_text=_("What the person does is sent with this token."))
    user = UserSerializer(source="membership")
    roles = serializers.ListField(child=serializers.CharField(), source="membership.roles")
    expires_at = AwareDateTime()


class ThisTabletSerializer(serializers.Serializer[Tablet]):
    """The tablet that asks, and its workshop."""

    tablet = TabletSerializer(source="*")
    workshop = WorkshopNameSerializer()
    outbox_key = serializers.SerializerMethodField(
        help_text=_(
            "The public key to which a tablet encrypts the file of what it cannot send: P-256, uncompressed point, "
            "base64. The file is handed in on the page `/tablets/import/`."
        )
    )

    checkpoint = serializers.SerializerMethodField(
        help_text=_(
            "The newest signed head of the workshop's tree, for the tablet to keep: nobody who runs the service can "
            "rewrite it there. Null before the first."
        )
    )

    @extend_schema_field(CheckpointSerializer(allow_null=True))
    def get_checkpoint(self, _tablet: Tablet) -> dict[str, Any] | None:
        newest = newest_checkpoint()
        return None if newest is None else dict(CheckpointSerializer(newest).data)

    def get_outbox_key(self, _tablet: Tablet) -> str:
        key = services.outbox_key_current(now=timezone.now())
        return base64.b64encode(bytes(key.public_key)).decode()


class HeadsInput(RequestBody):
    """Heads that the tablet holds."""

    heads = serializers.ListField(
        child=serializers.CharField(max_length=2_000, trim_whitespace=False),
        max_length=MOST_HEADS,
        help_text=_("Each the text `note` of a checkpoint, as it was given out. May be empty."),
    )


class ComparedSerializer(serializers.Serializer[Any]):
    """How each head stands to the workshop's records, and the newest one, for the tablet to keep."""

    outcomes = serializers.ListField(
        child=serializers.ChoiceField(choices=[services.CONSISTENT, *HeadConflict.Kind.values]),
        help_text=_("In the order of the heads. All but `consistent` are kept and shown to the managers."),
    )
    checkpoint = CheckpointSerializer(allow_null=True)


class TabletViewSet(ChangeableViewSet):
    """`/tablets/`"""

    queryset = Tablet.objects.all()
    serializer_class = TabletSerializer
    update_serializer_class = TabletFields
    ordering = "-enrolled_at"
    read_permission = Permission.RECORD_FACTS
    update_permission = Permission.RECORD_FACTS
    summaries = {
        "list": _("Tablets: a manager sees all, others those that they enrolled."),
        "retrieve": _("One tablet."),
        "partial_update": _("Call a tablet otherwise."),
        "destroy": _("Revoke a tablet: at its next contact it is told so (401 `tablet_revoked`) and wipes itself."),
    }

    def selector(self, actor: Actor) -> QuerySet[Tablet]:
        return tablets_seen_by(actor)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        if not changes:
            return self.get_object()
        return services.tablet_rename(actor=actor, tablet_id=record_id, expected_versions=expected, **changes)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        services.tablet_revoke(actor=self.actor, tablet_id=kwargs["pk"], address=address_of(request))
        return Response(status=HTTPStatus.NO_CONTENT)


class EnrolmentView(ActionViewSet):
    """`/enrolments/`"""

    queryset = Tablet.objects.all()
    serializer_class = EnrolledSerializer
    create_serializer_class = EnrolmentInput
    authentication_classes = ()
    permission_classes = (AllowAny,)
    throttle_classes = (EnrolmentThrottle,)
    summaries = {"create": _("Make this device a tablet of the workshop, with a one-time code. No token needed.")}
    examples = {
        "create": [
            OpenApiExample("a tablet", {"code": "7KQ2-M9XD", "device": "tablet in bay 2"}, request_only=True),
        ]
    }

    def create(self, request: Request) -> Response:
        data = self.validated(EnrolmentInput)
        offer = find_by_digest("enrolment", code_digest(data.pop("code")))
        if offer is None:
            raise code_unknown()
        require_not_elsewhere(request, offer.workshop_id)
        with in_workshop(offer.workshop_id):
            return self._enrol(offer, data)

    def _enrol(self, offer: Credential, data: dict[str, Any]) -> Response:
        maker = Membership.objects.get(pk=offer.person_id)
        actor = actor_for(maker, timezone.now())
        record_id, device = data.get("id"), data["device"]
        (tablet, secret), is_new = receipts.once(
            actor,
            "fleet.tablet",
            record_id,
            {"device": device, "offer": offer.id},
            lambda new_id: services.tablet_enrol(
                actor=actor, record_id=new_id, offer_id=offer.id, device=device, address=address_of(self.request)
            ),
            lambda known_id: services.tablet_renew_secret(actor=actor, tablet_id=known_id),
        )
        tablet.token = secret  # type: ignore[attr-defined]
        return _never_stored(EnrolledSerializer(tablet).data, HTTPStatus.CREATED if is_new else HTTPStatus.OK)


class ThisTabletView(ActionViewSet):
    """`/tablet/`"""

    queryset = Tablet.objects.all()
    serializer_class = ThisTabletSerializer
    create_serializer_class = PersonAtTabletInput
    permission_classes = (IsTablet,)
    pagination_class = None
    filter_backends = ()
    summaries = {
        "retrieve": _("The tablet that asks."),
        "people": _("Who may be picked on a tablet: everybody who works in the bay."),
        "create": _("Say who is at the tablet, proved by PIN. Gives a token for that person on this tablet."),
        "compare_heads": _(
            "Offer the signed heads that this tablet holds. What the records do not go with is kept for the managers."
        ),
    }
    examples = {
        "create": [
            OpenApiExample("a technician", {"person": "0198c3f2-…", "pin": "0471"}, request_only=True),
        ]
    }

    @property
    def tablet_id(self) -> UUID:
        assert self.actor.tablet_id is not None  # IsTablet
        return self.actor.tablet_id

    def get_throttles(self) -> list[Any]:
        return [TabletPinThrottle()] if self.action == "create" else super().get_throttles()

    def retrieve(self, request: Request) -> Response:
        tablet = Tablet.objects.select_related("workshop").get(pk=self.tablet_id)
        return Response(ThisTabletSerializer(tablet).data)

    @extend_schema(responses=TabletPersonSerializer(many=True))
    def people(self, request: Request) -> Response:
        serializer: Any = TabletPersonSerializer
        return Response(serializer(people_at_tablets(), many=True).data)

    @extend_schema(request=HeadsInput, responses=ComparedSerializer)
    def compare_heads(self, request: Request) -> Response:
        notes = self.validated(HeadsInput)["heads"]
        outcomes = services.heads_compare(actor=self.actor, tablet_id=self.tablet_id, notes=notes)
        return Response(ComparedSerializer({"outcomes": outcomes, "checkpoint": newest_checkpoint()}).data)

    @extend_schema(responses={201: PersonAtTabletSerializer, 200: PersonAtTabletSerializer})
    def create(self, request: Request) -> Response:
        data = self.validated(PersonAtTabletInput)
        person_id, pin = data["person"], data.pop("pin")
        try:
            (token, secret), code = self.once(
                "fleet.accesstoken",
                data,
                lambda new_id: services.person_at_tablet(
                    actor=self.actor, record_id=new_id, person_id=person_id, pin=pin, address=address_of(request)
                ),
                lambda known_id: self._again(known_id, person_id, pin),
                tablet=self.tablet_id,
            )
        except services.WrongPin:
            self._count_wrong_pin(person_id)
            raise
        token.token = secret  # type: ignore[attr-defined]
        return _never_stored(PersonAtTabletSerializer(token).data, code)

    def _again(self, token_id: UUID, person_id: UUID, pin: str) -> tuple[AccessToken, str]:
        services.tablet_pin_prove(actor=self.actor, person_id=person_id, pin=pin)
        return services.token_renew_secret(actor=self.actor, token_id=token_id)

    def _count_wrong_pin(self, person_id: UUID) -> None:
        """What was refused is rolled back; the count of wrong attempts must stay."""
        tablet_id, now = self.tablet_id, self.actor.now
        self.request._request.after_rollback = [  # type: ignore[attr-defined]
            lambda: services.tablet_pin_failure_note(tablet_id=tablet_id, person_id=person_id, now=now)
        ]


def _never_stored(data: Any, status: int) -> Response:
    response = Response(data, status=status)
    response["Cache-Control"] = "no-store"
    return response

"""Tokens: made with one's own password, listed and revoked; and an integrator's, made by a manager."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import receipts, services
from fleet.actor import Actor
from fleet.callers import actor_for, second_factor_missing
from fleet.credentials import memberships_of
from fleet.errors import Conflict, Forbidden, NotAuthenticated, NotFound
from fleet.models import AccessToken, Membership, SignInEvent, User
from fleet.permissions import INTEGRATOR_SCOPES, Permission, may, require
from fleet.second_factor import has_second_factor, second_factor_required
from fleet.sign_in.addresses import address_of
from fleet.sign_in.passwords import password_proved
from fleet.tenancy import in_workshop

from .choices import Choice, ListOf
from .fields import AwareDateTime, TrimmedText
from .inputs import PasswordField, RecordSerializer, Reference
from .problems import Problem
from .resources import SIGN_IN_THROTTLES, ResourceViewSet, found

SCOPES = sorted(scope.value for scope in INTEGRATOR_SCOPES)


class UserSerializer(serializers.Serializer[Membership]):
    """Who somebody is in their workshop; `id` is that of `/people/`."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    email = serializers.EmailField(source="user.email")


class SignInInput(RecordSerializer):
    """E-mail and password; the workshop only where a person belongs to several."""

    email = serializers.EmailField(max_length=254, help_text=_("The person's e-mail address."))
    password = PasswordField(help_text=_("The person's own password."))
    device = TrimmedText(max_length=80, help_text=_("Name of the device, by which its token is found again."))
    workshop = Reference(required=False, help_text=_("Id of the workshop; needed by who belongs to several."))


class IntegratorTokenInput(RecordSerializer):
    """A token for a program."""

    device = TrimmedText(max_length=80, help_text=_("Name of the program, by which its token is found again."))
    scopes = ListOf(
        child=Choice(SCOPES),
        allow_empty=False,
        max_length=len(SCOPES),
        help_text=_("What the program may do with this token. Signed in with its own password it may only read."),
    )
    expires_at = AwareDateTime(required=False, help_text=_("When it ends; 90 days from now unless set otherwise."))


class TokenSerializer(serializers.Serializer[AccessToken]):
    """A token, without its secret."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(
        AccessToken.Kind.choices, help_text=_("A tablet's own token is not listed here: see `/tablets/`.")
    )
    device = serializers.CharField()
    user = UserSerializer(source="membership")
    workshop = serializers.UUIDField(source="workshop_id")
    scopes = serializers.ListField(child=serializers.CharField())
    created_at = AwareDateTime()
    expires_at = AwareDateTime(allow_null=True)
    last_used_at = AwareDateTime(allow_null=True)
    revoked_at = AwareDateTime(allow_null=True)


class NewTokenSerializer(TokenSerializer):
    """A token with its secret, which is shown this once."""

    token = serializers.CharField()


class TokenViewSet(ResourceViewSet):
    """`/tokens/`"""

    read_permission = None  # everyone sees their own tokens, whatever their roles
    queryset = AccessToken.objects.all()
    serializer_class = TokenSerializer
    create_serializer_class = SignInInput
    ordering = "-created_at"
    summaries = {
        "list": _("Tokens: a manager sees all, others their own."),
        "retrieve": _("One token."),
        "create": _("Sign in with one's own password; gives a token for this device. A program's only reads."),
        "destroy": _("Revoke a token: one's own, or as a manager anyone's."),
        "destroy_current": _("Sign out: revoke the token that this request carries."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a tablet",
                {"email": "kim.arden@example.com", "password": "…", "device": "tablet in bay 2"},
                request_only=True,
            )
        ]
    }

    def get_authenticators(self) -> list[BaseAuthentication]:
        # Asked before the action is known; where POST is not taken, it is refused as such and not as anonymous.
        signs_in = self.request is not None and self.request.method == "POST" and "post" in self.action_map
        return [] if signs_in else super().get_authenticators()

    def get_permissions(self) -> list[Any]:
        return [] if self.action == "create" else list(super().get_permissions())

    def get_throttles(self) -> list[Any]:
        signs_in = self.action == "create"
        return [throttle() for throttle in SIGN_IN_THROTTLES] if signs_in else super().get_throttles()

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        return NewTokenSerializer if self.action == "create" else TokenSerializer

    def selector(self, actor: Actor) -> QuerySet[AccessToken]:
        tokens = AccessToken.objects.select_related("membership__user").exclude(membership=None)
        return tokens if may(actor, Permission.SET_UP) else tokens.filter(membership=actor.membership_id)

    def create(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:  # type: ignore[override]
        data = self.validated(SignInInput)
        user = _proved(request, data["email"], data.pop("password"))
        memberships = memberships_of(user.pk)
        wanted = data.get("workshop")
        chosen = [m for m in memberships if wanted in (None, m[0])]
        if len(chosen) > 1:
            return _which_workshop(memberships)
        if not chosen:
            raise Forbidden(_("You belong to no such workshop, or are not active there."), code="no_membership")
        return self._issue(chosen[0][0], chosen[0][1], data)

    def _issue(self, workshop_id: UUID, membership_id: UUID, data: dict[str, Any]) -> Response:
        require_not_elsewhere(self.request, workshop_id)
        with in_workshop(workshop_id):
            membership = Membership.objects.select_related("user", "workshop").get(pk=membership_id)
            if second_factor_required(membership):
                raise second_factor_missing()
            actor = actor_for(membership, timezone.now())
            record_id = data.pop("id", None)
            (token, secret), is_new = receipts.once(
                actor,
                "fleet.accesstoken",
                record_id,
                data,
                lambda new_id: services.token_issue(actor=actor, record_id=new_id, device=data["device"]),
                lambda known_id: services.token_renew_secret(actor=actor, token_id=known_id),
            )
            services.sign_in_event_note(
                membership=membership,
                kind=SignInEvent.Kind.SIGNED_IN,
                now=actor.now,
                how=data["device"][:40],
                address=address_of(self.request),
            )
            return _shown_once(token, secret, HTTPStatus.CREATED if is_new else HTTPStatus.OK)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        services.token_revoke(actor=self.actor, token_id=kwargs["pk"])
        return Response(status=HTTPStatus.NO_CONTENT)

    @extend_schema(responses={204: None})
    def destroy_current(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        if self.actor.token_id is None:
            raise NotFound
        services.token_revoke(actor=self.actor, token_id=self.actor.token_id)
        return Response(status=HTTPStatus.NO_CONTENT)


class IntegratorTokenViewSet(ResourceViewSet):
    """`/people/{id}/tokens/`"""

    queryset = AccessToken.objects.all()
    create_serializer_class = IntegratorTokenInput
    ordering = "-created_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("The tokens of one person."),
        "create": _("Make a token with scopes for an integrator. Its secret is shown this once."),
    }

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        return NewTokenSerializer if self.action == "create" else TokenSerializer

    def selector(self, actor: Actor) -> QuerySet[AccessToken]:
        tokens = AccessToken.objects.select_related("membership__user")
        return tokens.filter(membership=self.person())

    def person(self) -> Membership:
        return found(Membership.objects.select_related("user"), self.kwargs["person"])

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        person = self.person()
        data = self.validated(IntegratorTokenInput)
        (token, secret), code = self.once(
            "fleet.accesstoken",
            data,
            lambda new_id: services.integrator_token_issue(
                actor=self.actor, record_id=new_id, membership=person, **data
            ),
            lambda known_id: services.token_renew_secret(actor=self.actor, token_id=known_id),
            person=person.pk,
        )
        return _shown_once(token, secret, code)


def _proved(request: Request, email: str, password: str) -> User:
    """The person whose password this is; takes equally long whether or not there is such a person."""
    user = password_proved(request._request, email, password)
    if user is None:
        raise NotAuthenticated(
            _("E-mail address and password do not belong together. Check both."), code="credentials_wrong"
        )
    if has_second_factor(user.pk):
        raise Forbidden(
            _("You have a second factor, so a password alone gives no token. Enrol a tablet from a signed-in page."),
            code="enrolment_required",
        )
    return user


def _which_workshop(memberships: list[tuple[UUID, UUID, str]]) -> HttpResponse:
    detail = _("You belong to several workshops. Send the id of one of them as 'workshop'.")
    error = {"pointer": "/workshop", "code": "workshop_required", "detail": str(detail)}
    workshops = [{"id": str(workshop), "name": name} for workshop, _member, name in memberships]
    return Problem(HTTPStatus.UNPROCESSABLE_ENTITY, errors=(error,), extensions={"workshops": workshops}).response()


def _shown_once(token: AccessToken, secret: str, code: int) -> Response:
    token.token = secret  # type: ignore[attr-defined]
    response = Response(NewTokenSerializer(token).data, status=code)
    response["Cache-Control"] = "no-store"
    return response


def require_not_elsewhere(request: Request, workshop_id: UUID) -> None:
    """A request is served within one workshop: a token or session of another one must not come along."""
    if getattr(request._request, "workshop_id", workshop_id) != workshop_id:
        raise Conflict(
            _("This call carries a token of another workshop. Send it without 'Authorization'."),
            code="signed_in_elsewhere",
        )

"""Collections of fleet: `fleet.api.base` with versions, changes, throttles and documentation."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, ClassVar, Final, TypeVar
from uuid import UUID

from django.db.models import Model, QuerySet
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import Serializer

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.permissions import Permission, require

from .base import CollectionViewSet, WorkshopViewSet
from .etags import ETagMixin, expected_versions
from .openapi import ResourceSchema
from .throttling import SignInAddressThrottle, SignInPersonThrottle, TokenThrottle

M = TypeVar("M", bound=Model)


def found(queryset: QuerySet[M], record_id: UUID) -> M:
    """The record that the address names, where the actor may see it."""
    record = queryset.filter(pk=record_id).first()
    if record is None:
        raise NotFound
    return record


class ResourceMixin(ETagMixin):
    """Documentation, versions and the token's throttle. `summaries` has a sentence for each action."""

    schema = ResourceSchema()
    throttle_classes: Any = (TokenThrottle,)
    summaries: ClassVar[Mapping[str, Any]] = {}
    examples: ClassVar[Mapping[str, Any]] = {}


class ResourceViewSet(ResourceMixin, CollectionViewSet):
    """A collection: list, one, make."""


class ActionViewSet(ResourceMixin, WorkshopViewSet):
    """Single calls that are no collection."""


class ChangeableViewSet(ResourceViewSet):
    """A collection whose records may be changed: `PATCH` with `If-Match`. Subclasses say how in `change`."""

    update_permission: ClassVar[Permission] = Permission.SET_UP
    update_serializer_class: ClassVar[type[Serializer[Any]]]

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        raise NotImplementedError

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, self.update_permission)
        record = self.get_object()
        expected = expected_versions(request)
        self.change(self.actor, record.pk, expected, self.changes(self.update_serializer_class))
        return Response(self.get_serializer(self.get_queryset().get(pk=record.pk)).data)

    def changes(self, serializer_class: type[Serializer[Any]]) -> dict[str, Any]:
        """The members of the body that are there, valid by the given serializer."""
        serializer = serializer_class(data=self.request.data, partial=True, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        return dict(serializer.validated_data)


SIGN_IN_THROTTLES: Final = (SignInAddressThrottle, SignInPersonThrottle)
"""For calls that carry their own secret instead of a token."""

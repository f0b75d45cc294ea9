"""What every resource of the interface does the same way."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Any, ClassVar, TypeVar, cast

from django.db.models import Model, QuerySet
from rest_framework import status
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer, Serializer
from rest_framework.viewsets import GenericViewSet

from .. import receipts
from ..actor import Actor
from ..errors import Invalid
from ..models import Membership
from ..permissions import Permission, require
from .inputs import MOST_UNKNOWN_MEMBERS
from .known_names import no_such_name

T = TypeVar("T")


class WorkshopViewSet(GenericViewSet[Any]):
    """Knows the actor, who may read, validates bodies and answers client-made ids."""

    read_permission: ClassVar[Permission | None] = None
    """What reading here needs; the selector says what is then seen. None: everybody who is known."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if request.method in {"GET", "HEAD"} and self.read_permission is not None:
            require(self.actor, self.read_permission)
        self._require_known_parameters(request)

    def _require_known_parameters(self, request: Request) -> None:
        """A misspelt filter that were passed over would give a list of everything."""
        known = query_parameters(self)
        unknown = sorted(request.query_params.keys() - set(known))[:MOST_UNKNOWN_MEMBERS]
        if unknown:
            in_query = request.method in {"GET", "HEAD", "DELETE", "OPTIONS"}
            raise Invalid(
                (f"/{name}" if in_query else "", "unknown_parameter", no_such_name(name, known)) for name in unknown
            )

    @property
    def actor(self) -> Actor:
        actor: Actor = self.request.user  # type: ignore[assignment]
        return actor

    @cached_property
    def people_names(self) -> dict[uuid.UUID, str]:
        """The workshop's people by id: one query for a request, however many names it shows."""
        return dict(Membership.objects.order_by().values_list("pk", "name"))

    def validated(self, serializer_class: type[BaseSerializer[Any]], **context: Any) -> dict[str, Any]:
        """The request's body, valid by the given serializer."""
        serializer = serializer_class(data=self.request.data, context={**self.get_serializer_context(), **context})
        serializer.is_valid(raise_exception=True)
        data: dict[str, Any] = dict(serializer.validated_data)
        return data

    def once(
        self,
        kind: str,
        data: dict[str, Any],
        do: Callable[[uuid.UUID], T],
        find: Callable[[uuid.UUID], T],
        **context: object,
    ) -> tuple[T, int]:
        """Carry out a request once; gives its result and 201, or 200 when it was carried out before.

        `data` is the validated body; its `id`, where there is one, is taken out of it. `context` is what else
        makes the request the same one: the parent it is about.
        """
        record_id = data.pop("id", None)
        result, is_new = receipts.once(self.actor, kind, record_id, {**context, **data}, do, find)
        return result, status.HTTP_201_CREATED if is_new else status.HTTP_200_OK


def query_parameters(view: GenericViewSet[Any]) -> list[str]:
    """What may stand in the query of this call: what its description lists."""
    if view.action != "list":
        return list(getattr(view, "parameters", {}).get(view.action, ()))
    filters = getattr(view, "filterset_class", None)
    paging = view.paginator.get_schema_operation_parameters(view) if view.paginator else []
    return [*(filters.base_filters if filters and view.filter_backends else ()), *(each["name"] for each in paging)]


class CollectionViewSet(ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """GET of a collection and of one, and POST that makes one. Subclasses say how.

    `selector(actor)` gives what the actor may see; `make(actor, id, data)` calls the service.
    """

    read_permission: ClassVar[Permission | None] = Permission.READ_WORKSHOP
    create_permission: ClassVar[Permission] = Permission.SET_UP
    create_serializer_class: ClassVar[type[Serializer[Any]]]
    ordering_fields: ClassVar[tuple[str, ...]] = ()

    def selector(self, actor: Actor) -> QuerySet[Any]:
        raise NotImplementedError

    def make(self, actor: Actor, record_id: uuid.UUID, data: Mapping[str, Any]) -> Model:
        raise NotImplementedError

    @property
    def described_queryset(self) -> QuerySet[Any]:
        """The class's queryset, named for the description of the interface alone."""
        named: Any = type(self).queryset
        return cast("QuerySet[Any]", named)

    def get_queryset(self) -> QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):
            return self.described_queryset.none()
        return self.selector(self.actor)

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        kind = self.get_queryset().model._meta.label_lower  # what the address names is looked up first
        require(self.actor, self.create_permission)
        data = self.validated(self.create_serializer_class)
        record, code = self.once(
            kind,
            data,
            lambda record_id: self.make(self.actor, record_id, data),
            lambda record_id: self.get_queryset().get(pk=record_id),
            **{key: str(value) for key, value in kwargs.items()},
        )
        return Response(self.get_serializer(record).data, status=code)

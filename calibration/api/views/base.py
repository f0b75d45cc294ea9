"""What the views of jobs and of their records do the same way."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cached_property
from typing import Any, ClassVar, TypeVar
from uuid import UUID

from django.db.models import Model, QuerySet
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer, Serializer

from calibration.models import Job
from calibration.selectors.jobs import job_for, visible_jobs
from fleet.api.base import WorkshopViewSet
from fleet.api.resources import ResourceMixin
from fleet.api.standing_serializers import standing_serializer
from fleet.permissions import Permission, may, require

from ..openapi import WorkSchema

RowT = TypeVar("RowT", bound=Model)
Body = dict[str, Any]


class WorkViewSet(ResourceMixin, WorkshopViewSet):
    """A view of the work. `summaries`, `bodies`, `answers` and `examples` document its actions."""

    schema = WorkSchema()
    bodies: ClassVar[Mapping[str, type[BaseSerializer[Any]]]] = {}
    answers: ClassVar[Mapping[str, tuple[str, Any]]] = {}

    def body(self, permission: Permission) -> Body:
        """The body of this action, once the actor is known to have the right to it."""
        require(self.actor, permission)
        return self.validated(self.bodies[self.action])

    def kind(self) -> str:
        """What names this action in the receipts of client-made ids."""
        return f"{self.basename}.{self.action}"


class RecordsViewSet(ListModelMixin, RetrieveModelMixin, WorkViewSet):
    """Records of jobs: of one job where the address names one, else of all that the actor may see."""

    model: ClassVar[type[Model]]
    ordering = "recorded_at"
    ordering_fields: ClassVar[tuple[str, ...]] = ("recorded_at",)

    @cached_property
    def job(self) -> Job:
        """The job that the address names, where the actor may see it."""
        return job_for(self.actor, self.kwargs["job_id"])

    def get_queryset(self) -> QuerySet[Any]:
        rows = self.model._default_manager.all()
        if getattr(self, "swagger_fake_view", False):
            return rows.none()
        if "job_id" in self.kwargs:
            return rows.filter(job=self.job.pk)
        return self.in_visible_jobs(rows)

    def in_visible_jobs(self, rows: QuerySet[Any], path: str = "job") -> QuerySet[Any]:
        """Those of the rows that belong to jobs which the actor may see."""
        if may(self.actor, Permission.READ_WORKSHOP):
            return rows
        return rows.filter(**{f"{path}__in": visible_jobs(self.actor).values("pk")})

    def documents(self, rows: Sequence[Any]) -> Iterable[Any]:
        """What the serializer takes: the rows themselves, or they with what belongs to them."""
        return rows

    def shown(self, rows: Sequence[Any]) -> list[Any]:
        serializer_class: type[Serializer[Any]] = self.get_serializer_class()  # type: ignore[assignment]
        serializer = standing_serializer(serializer_class, self.get_serializer_context())
        return [serializer.to_representation(each) for each in self.documents(rows)]

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        return self.get_paginated_response(self.shown(page or []))

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.shown([self.get_object()])[0])

    def record(
        self,
        body: Body,
        do: Callable[[UUID, Body], RowT],
        find: Callable[[UUID], RowT] | None = None,
        sent_before: Callable[[Body], RowT | None] | None = None,
        **about: object,
    ) -> Response:
        """Make a record once: 201, and 200 with the first one when the request is sent again.

        `sent_before` finds the first one where no id says which it is.
        """
        first = sent_before(body) if sent_before is not None and "id" not in body else None
        if first is not None:
            return Response(self.shown([first])[0])
        row, code = self._once(body, do, find, about)
        return Response(self.shown([row])[0], status=code)

    def act(
        self, body: Body, do: Callable[[UUID, Body], RowT], find: Callable[[UUID], RowT] | None = None, **about: object
    ) -> Response:
        """Carry out an action once. It answers 200 whether it was carried out now or before."""
        row, _code = self._once(body, do, find, about)
        return Response(self.shown([row])[0])

    def _once(
        self,
        body: Body,
        do: Callable[[UUID, Body], RowT],
        find: Callable[[UUID], RowT] | None,
        about: Mapping[str, object],
    ) -> tuple[RowT, int]:
        def known(record_id: UUID) -> RowT:
            return self.get_queryset().get(pk=record_id)  # type: ignore[no-any-return]

        return self.once(self.kind(), body, lambda record_id: do(record_id, body), find or known, **about)

"""The summary of an operator's vehicles over HTTP."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.utils.translation import gettext_lazy
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from fleet.api.base import WorkshopViewSet
from fleet.api.resources import ResourceMixin
from fleet.models import Operator
from fleet.permissions import Permission

from ..summaries import operator_summary_response
from .views import PdfRenderer


class OperatorSummaryView(ResourceMixin, WorkshopViewSet):
    """`/operators/{id}/summary/`"""

    queryset = Operator.objects.none()
    filter_backends = ()
    pagination_class = None
    renderer_classes = [PdfRenderer, JSONRenderer]
    read_permission = Permission.READ_OWN_VEHICLES
    summaries = {
        "retrieve": gettext_lazy(
            "The operator's vehicles as a PDF, a line each: last measured, where it stands, next check, drift."
        )
    }

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    def retrieve(self, request: Request, pk: UUID) -> HttpResponse:
        return operator_summary_response(self.actor, pk)

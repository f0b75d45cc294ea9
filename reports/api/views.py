"""Certificates and parked work over HTTP."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.http import HttpResponse
from django.utils.translation import gettext_lazy as _
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.decorators import action
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.base import WorkshopViewSet
from fleet.api.filters import TextFilter, one_of
from fleet.api.resources import ResourceMixin
from fleet.errors import Conflict
from fleet.models import OutboxItem
from fleet.permissions import Permission, require
from fleet.vin import normalise_vin

from ..models import Certificate, CertificateFile
from ..selectors.certificates import certificate_by_number, visible_certificates
from ..selectors.parked_work import parked_work
from ..services.certificates import certificate_replace, certificate_send_again
from ..services.parked_work import parked_work_retry
from .serializers import (
    CertificateReplacementSerializer,
    CertificateSendingSerializer,
    CertificateSerializer,
    ParkedWorkSerializer,
)

NUMBER = "[0-9]{1,9}"
UUID_FORM = "[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}"


class CertificatePreparing(Conflict):
    """A worker is about to draw it: asking again shortly helps."""

    default_code = "certificate_preparing"
    default_detail = _("This certificate is in preparation. Ask again as soon as 'Retry-After' says.")
    retry_after_s: ClassVar[int] = 2


class PdfRenderer(BaseRenderer):
    """Lets clients ask for application/pdf; the bytes are those that were issued."""

    media_type = "application/pdf"
    format = "pdf"
    charset = None
    render_style = "binary"

    def render(
        self,
        data: Any,
        accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> Any:
        return data


class CertificateFilter(filters.FilterSet):
    job = filters.UUIDFilter(field_name="job", label=_("job"))
    vehicle = TextFilter(method="of_vehicle", label=_("VIN"), max_length=40)
    state = one_of("state", Certificate.State.values, _("state"))
    kind = one_of("kind", Certificate.Kind.values, _("kind"))

    class Meta:
        model = Certificate
        fields = ("job", "vehicle", "state", "kind")

    def of_vehicle(self, certificates: QuerySet[Certificate], name: str, vin: str) -> QuerySet[Certificate]:
        return certificates.filter(vehicle__vin=normalise_vin(vin))


class CertificateViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """Certificates and findings reports. Their numbers are the workshop's own."""

    queryset = Certificate.objects.all()
    serializer_class = CertificateSerializer
    filterset_class = CertificateFilter
    lookup_field = "number"
    lookup_value_regex = NUMBER
    ordering = "-number"

    read_permission = Permission.READ_OWN_VEHICLES

    def get_queryset(self) -> QuerySet[Certificate]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return visible_certificates(self.actor)

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    @action(detail=True, renderer_classes=[PdfRenderer, JSONRenderer])
    def pdf(self, request: Request, number: str) -> HttpResponse:
        """The PDF as issued. 409 with `Retry-After` while it is in preparation."""
        certificate, file = self._issued(number)
        name = f"{certificate.kind.replace('_', '-')}-{certificate.number}.pdf"
        return HttpResponse(  # as it is, whichever renderer was agreed on for problems
            bytes(file.pdf),
            content_type="application/pdf",
            headers={
                "Content-Disposition": f'inline; filename="{name}"',
                "Cache-Control": "private, no-cache",
            },
        )

    @extend_schema(responses={200: OpenApiResponse(OpenApiTypes.OBJECT, _("The document's data."))})
    @action(detail=True)
    def data(self, request: Request, number: str) -> Response:
        """Everything the document says, as it was taken from the records."""
        return Response(self._issued(number)[1].snapshot)

    @extend_schema(
        request=CertificateReplacementSerializer, responses={200: CertificateSerializer, 201: CertificateSerializer}
    )
    @action(detail=True, methods=["post"])
    def replacement(self, request: Request, number: str) -> Response:
        """A new certificate that names this one. This one holds until the new one is issued."""
        certificate_by_number(self.actor, int(number))
        require(self.actor, Permission.RULE)
        data = self.validated(CertificateReplacementSerializer)
        made, code = self.once(
            "reports.certificate_replacement",
            data,
            lambda record_id: certificate_replace(
                actor=self.actor, record_id=record_id, number=int(number), reason=data["reason"]
            ),
            lambda record_id: Certificate.objects.get(pk=record_id),
            number=int(number),
        )
        shown = certificate_by_number(self.actor, made.number)
        return Response(CertificateSerializer(shown).data, status=code)

    @extend_schema(
        request=CertificateSendingSerializer, responses={200: CertificateSerializer, 201: CertificateSerializer}
    )
    @action(detail=True, methods=["post"])
    def sending(self, request: Request, number: str) -> Response:
        """E-mail it once more, to the operator and its contacts as they are now."""
        certificate = certificate_by_number(self.actor, int(number))
        require(self.actor, Permission.RECORD_FACTS)
        data = self.validated(CertificateSendingSerializer)
        _made, code = self.once(
            "reports.certificate_sending",
            data,
            lambda record_id: certificate_send_again(actor=self.actor, record_id=record_id, number=int(number)),
            lambda _record_id: certificate,
            number=int(number),
        )
        return Response(CertificateSerializer(certificate).data, status=code)

    def _issued(self, number: str) -> tuple[Certificate, CertificateFile]:
        certificate = certificate_by_number(self.actor, int(number))
        if certificate.state == Certificate.State.PREPARING:
            raise CertificatePreparing
        return certificate, CertificateFile.objects.get(certificate=certificate)


class ParkedWorkViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """Background work that failed in all its attempts and waits for a manager."""

    queryset = OutboxItem.objects.all()
    serializer_class = ParkedWorkSerializer
    filter_backends = ()
    lookup_value_regex = UUID_FORM
    ordering = "created_at"

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        require(self.actor, Permission.SET_UP)

    def get_queryset(self) -> QuerySet[OutboxItem]:
        return parked_work()

    @extend_schema(request=None, responses={200: ParkedWorkSerializer})
    @action(detail=True, methods=["post"])
    def retry(self, request: Request, pk: str) -> Response:
        """Try it again, with all its attempts. Harmless when repeated."""
        item = parked_work_retry(actor=self.actor, item_id=uuid.UUID(pk))
        return Response(ParkedWorkSerializer(item).data)

"""Certificates and findings reports: the list, one of them, its PDF, and another in its place."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _

from calibration.pages.shown import names_of
from fleet.errors import Conflict
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may, require
from fleet.selectors.vehicles import is_now_visible, sees_whole_workshop

from ..certificate.texts import kind_title
from ..codes import grouped
from ..models import Certificate, CertificateFile
from ..selectors.certificates import certificate_by_number, code_leads_to, visible_certificates
from ..selectors.conclusions import conclusions_of
from ..services.certificates import certificate_replace, certificate_send_again
from .forms import CertificateFilterForm, ReplacementForm, SendAgainForm

STATES = dict(Certificate.State.choices)
LARGEST_NUMBER = 2**31 - 1


class CertificatesView(WorkshopPage):
    """`/certificates/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest) -> HttpResponse:
        form = CertificateFilterForm(request.GET)
        is_valid = form.is_valid()
        part = part_of(request, self._wanted(form.cleaned_data if is_valid else {}))
        said = conclusions_of([each.pk for each in part.rows])
        values = {
            "form": form,
            "part": part,
            "rows": [{**self._shown(each), "said": said.get(each.pk)} for each in part.rows],
            "public_url": settings.PUBLIC_URL if may(self.actor, Permission.SET_UP) else None,
            "is_filtered": any(form.data.get(name) for name in form.fields),
        }
        status = HTTPStatus.OK if is_valid else HTTPStatus.UNPROCESSABLE_ENTITY
        return render(request, "reports/pages/certificates.html", values, status=status)

    def _wanted(self, wanted: dict[str, Any]) -> QuerySet[Certificate]:
        found = visible_certificates(self.actor).order_by("-number")
        given = {name: wanted[name] for name in ("kind", "state") if wanted.get(name)}
        return found.filter(self._matching(wanted["q"]), **given) if wanted.get("q") else found.filter(**given)

    def _matching(self, text: str) -> Q:
        """A registration that one may not see now is not searched either."""
        closed_up = "".join(text.split())
        registration = Q(vehicle__registration__icontains=text)
        if not sees_whole_workshop(self.actor):
            registration &= Q(vehicle__operator=self.actor.operator_id)
        match = Q(vehicle__vin__icontains=closed_up) | registration
        is_number = closed_up.isascii() and closed_up.isdigit() and int(closed_up) <= LARGEST_NUMBER
        return match | Q(number=int(closed_up)) if is_number else match

    def _shown(self, certificate: Certificate) -> dict[str, Any]:
        return {
            "certificate": certificate,
            "kind": kind_title(certificate.kind),
            "state": STATES[certificate.state],
            "registration": certificate.vehicle.registration if is_now_visible(self.actor, certificate.vehicle) else "",
            "replaced_by": next((each.number for each in certificate.replacements.all()), None),
        }


class CertificateView(WorkshopPage):
    """`/certificates/<number>/`: what it is, and another in its place."""

    permission = Permission.READ_OWN_VEHICLES
    keeps_entries = True

    def get(self, request: HttpRequest, number: int) -> HttpResponse:
        return self._page(certificate_by_number(self.actor, number), self.filled_in(ReplacementForm()))

    def post(self, request: HttpRequest, number: int) -> HttpResponse:
        certificate = certificate_by_number(self.actor, number)
        require(self.actor, Permission.RULE)
        form = ReplacementForm(request.POST)
        made = self._replaced(form, certificate) if form.is_valid() else None
        if made is None:
            form.show_anew({})
            return self._page(certificate_by_number(self.actor, number), form, form.status)
        messages.success(
            request,
            _("Number %(number)s is being made. It says why, and takes this one's place.") % {"number": made.number},
        )
        return redirect("certificate_page", number=made.number)

    def _replaced(self, form: ReplacementForm, certificate: Certificate) -> Certificate | None:
        return self.once(
            "reports.certificate_replacement",
            form,
            lambda record_id, body: certificate_replace(
                actor=self.actor, record_id=record_id, number=certificate.number, reason=body["reason"]
            ),
            lambda record_id: Certificate.objects.get(pk=record_id),
            number=certificate.number,
        )

    def _page(self, certificate: Certificate, form: ReplacementForm, status: int = HTTPStatus.OK) -> HttpResponse:
        replaced_by = certificate.replacements.first()
        names = names_of([certificate.requested_by])
        file = getattr(certificate, "file", None)
        values = {
            "certificate": certificate,
            "kind": kind_title(certificate.kind),
            "said": conclusions_of([certificate.pk]).get(certificate.pk),
            "state": STATES[certificate.state],
            "code": grouped(certificate.code),
            "code_leads_to": code_leads_to(certificate) if may(self.actor, Permission.SET_UP) else None,
            "sha256": file.sha256 if file else "",
            "replaced_by": replaced_by,
            "asked_by": names.get(certificate.requested_by) if certificate.requested_by else None,
            "form": form,
            "send_again": SendAgainForm()
            if may(self.actor, Permission.RECORD_FACTS) and certificate.state == Certificate.State.ISSUED
            else None,
            "may_replace": may(self.actor, Permission.RULE)
            and certificate.state == Certificate.State.ISSUED
            and replaced_by is None,
        }
        return render(self.request, "reports/pages/certificate.html", values, status=status)


class SendAgainView(WorkshopPage):
    """`/certificates/<number>/sending/`: by e-mail once more; the same form sent twice sends it once."""

    permission = Permission.READ_OWN_VEHICLES

    def post(self, request: HttpRequest, number: int) -> HttpResponse:
        certificate = certificate_by_number(self.actor, number)
        require(self.actor, Permission.RECORD_FACTS)
        form = SendAgainForm(request.POST)
        if form.is_valid() and self._sent(form, certificate) is not None:
            messages.success(request, _("It is being sent once more, to whoever gets it now."))
        else:
            form.tell(request)
        return redirect("certificate_page", number=number)

    def _sent(self, form: SendAgainForm, certificate: Certificate) -> Certificate | None:
        return self.once(
            "reports.certificate_sending",
            form,
            lambda record_id, _body: certificate_send_again(
                actor=self.actor, record_id=record_id, number=certificate.number
            ),
            lambda _record_id: certificate,
            number=certificate.number,
        )


class CertificatePdfView(WorkshopPage):
    """`/certificates/<number>/pdf/`: the bytes as they were issued."""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest, number: int) -> HttpResponse:
        certificate = certificate_by_number(self.actor, number)
        if certificate.state == Certificate.State.PREPARING:
            raise Conflict(
                _("This certificate is in preparation. Load the page again shortly."), code="certificate_preparing"
            )
        file = CertificateFile.objects.get(certificate=certificate)
        name = f"{certificate.kind.replace('_', '-')}-{certificate.number}.pdf"
        disposition = {"Content-Disposition": f'inline; filename="{name}"', "Cache-Control": "private, no-cache"}
        return HttpResponse(bytes(file.pdf), content_type="application/pdf", headers=disposition)

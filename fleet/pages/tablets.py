"""Tablets: enrol one with a one-time code, see which there are, rename and revoke them."""

from __future__ import annotations

from uuid import UUID

import segno
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.utils.translation import gettext as _

from fleet import services
from fleet.api.resources import found
from fleet.models import Tablet
from fleet.permissions import Permission
from fleet.selectors.tablets import tablets_seen_by
from fleet.sign_in.addresses import address_of

from .forms import TabletNameForm
from .public_address import BENCH, public_address
from .workshop_page import WorkshopPage


class TabletsView(WorkshopPage):
    """`/tablets/`"""

    permission = Permission.RECORD_FACTS

    def get(self, request: HttpRequest) -> HttpResponse:
        tablets = list(tablets_seen_by(self.actor))
        values = {
            "in_use": [tablet for tablet in tablets if tablet.revoked_at is None],
            "revoked": [tablet for tablet in tablets if tablet.revoked_at is not None],
        }
        return render(request, "fleet/tablets.html", values)


class EnrolmentView(WorkshopPage):
    """`/tablets/enrolment/`: makes a code, and shows it this once."""

    permission = Permission.RECORD_FACTS

    def post(self, request: HttpRequest) -> HttpResponse:
        offer, code = services.enrolment_offer(actor=self.actor)
        # After the '#', so that no server ever sees the code in an address.
        address = public_address(request, BENCH)
        qr = segno.make(f"{address}#enrol={code}", error="m").svg_inline(
            scale=5, border=4, light="#fff", title=_("Code to scan")
        )
        values = {
            "code": f"{code[:4]}-{code[4:]}",
            "expires_at": offer.expires_at,
            "address": address,
            "qr": mark_safe(qr),  # noqa: S308  (drawn here, from an address of ours)
        }
        return render(request, "fleet/tablet_enrolment.html", values)


class TabletView(WorkshopPage):
    """`/tablets/<id>/`: rename or revoke."""

    permission = Permission.RECORD_FACTS
    keeps_entries = True

    def get(self, request: HttpRequest, tablet: UUID) -> HttpResponse:
        found_tablet = found(tablets_seen_by(self.actor), tablet)
        initial = {"name": found_tablet.name, "version": found_tablet.version}
        return self._page(found_tablet, self.filled_in(TabletNameForm(initial=initial)))

    def post(self, request: HttpRequest, tablet: UUID) -> HttpResponse:
        form = TabletNameForm(request.POST)
        if not form.is_valid():
            return self._page(found(tablets_seen_by(self.actor), tablet), form, status=422)
        version, name = form.cleaned_data["version"], form.cleaned_data["name"]
        services.tablet_rename(actor=self.actor, tablet_id=tablet, expected_versions=[version], name=name)
        return redirect("tablets")

    def _page(self, tablet: Tablet, form: TabletNameForm, status: int = 200) -> HttpResponse:
        return render(self.request, "fleet/tablet.html", {"tablet": tablet, "form": form}, status=status)


class TabletRevocationView(WorkshopPage):
    """`/tablets/<id>/revocation/`"""

    permission = Permission.RECORD_FACTS

    def post(self, request: HttpRequest, tablet: UUID) -> HttpResponse:
        revoked = services.tablet_revoke(actor=self.actor, tablet_id=tablet, address=address_of(request))
        messages.success(
            request, _("%(tablet)s is revoked. It wipes itself at its next contact.") % {"tablet": revoked.name}
        )
        return redirect(reverse("tablets"))

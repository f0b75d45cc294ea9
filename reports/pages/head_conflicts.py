"""Heads on tablets with which the records do not go: the list, and one of them with what explains it."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _

from calibration.pages.shown import names_of
from fleet.api.resources import found
from fleet.models import HeadConflict
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission
from fleet.services import head_conflict_acknowledge

from .forms import ExplanationForm


class HeadConflictsView(WorkshopPage):
    """`/head-conflicts/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        conflicts = HeadConflict.objects.select_related("tablet").order_by("-found_at", "-id")
        return render(request, "reports/pages/head_conflicts.html", {"part": part_of(request, conflicts)})


class HeadConflictView(WorkshopPage):
    """`/head-conflicts/<id>/`: what the matter may be, how to find out, and what explains it."""

    permission = Permission.SET_UP
    keeps_entries = True

    def get(self, request: HttpRequest, conflict: UUID) -> HttpResponse:
        return self._page(conflict, self.filled_in(ExplanationForm()))

    def post(self, request: HttpRequest, conflict: UUID) -> HttpResponse:
        known = found(HeadConflict.objects.all(), conflict)
        form = ExplanationForm(request.POST)
        if form.is_valid() and self._acknowledged(form, known) is not None:
            messages.success(request, _("Noted. The finding stays here."))
            return redirect("head_conflict_page", conflict=conflict)
        form.show_anew({})
        return self._page(conflict, form, form.status)

    def _acknowledged(self, form: ExplanationForm, known: HeadConflict) -> HeadConflict | None:
        return self.once(
            "fleet.head_conflict_acknowledgement",
            form,
            lambda _record_id, body: head_conflict_acknowledge(
                actor=self.actor, conflict_id=known.pk, explanation=body["explanation"]
            ),
            lambda _record_id: known,
            conflict=known.pk,
        )

    def _page(self, conflict: UUID, form: ExplanationForm, status: int = HTTPStatus.OK) -> HttpResponse:
        known = found(HeadConflict.objects.select_related("tablet"), conflict)
        by = known.acknowledged_by
        values: dict[str, Any] = {
            "conflict": known,
            "form": form,
            "acknowledged_by": names_of([by]).get(by, "") if by else "",
            "shows_form": known.acknowledged_at is None or (form.is_bound and not form.is_valid()),
        }
        return render(self.request, "reports/pages/head_conflict.html", values, status=status)

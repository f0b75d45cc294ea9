"""Exports of the whole workshop, and the archive with which an empty one begins."""

from __future__ import annotations

from typing import Any, Final
from uuid import UUID

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.api.views.photos import digest_of
from fleet.errors import Conflict
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import RecordForm, WorkshopPage
from fleet.permissions import Permission

from ..api.archive_views import zip_answer
from ..archive.members import LARGEST_UPLOAD
from ..models import ArchiveIntake, Export
from ..selectors.archives import (
    State,
    archive_state,
    export_state,
    totals,
    visible_archives,
    visible_exports,
    what_is_there,
)
from ..services.archives import archive_cancel, archive_hand_in
from ..services.exports import export_file, export_request

CONTENTS: Final = {
    "vehicles": gettext_lazy("vehicles"),
    "jobs": gettext_lazy("jobs"),
    "checks": gettext_lazy("height checks"),
    "certificates": gettext_lazy("certificates and findings reports"),
    "photos": gettext_lazy("pictures"),
    "ledger_entries": gettext_lazy("ledger entries"),
}


class ArchiveForm(RecordForm):
    """The archive of another workshop."""

    file = forms.FileField(
        label=gettext_lazy("Archive"),
        help_text=gettext_lazy("The ZIP file that “Exports” of the other workshop gave."),
        widget=forms.FileInput(attrs={"accept": ".zip"}),
        error_messages={
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("The file is empty. Copy it again."),
        },
    )


class ExportsView(WorkshopPage):
    """`/exports/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        return self._page(RecordForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        form = RecordForm(request.POST)
        if not form.is_valid() or self._requested(form) is None:
            return self._page(form, form.status)
        messages.success(
            request, _("The export is being made. Load this page again shortly: it stands below as soon as it is done.")
        )
        return redirect("exports_page")

    def _requested(self, form: RecordForm) -> Export | None:
        return self.once(
            Export._meta.label_lower,
            form,
            lambda record_id, _body: export_request(actor=self.actor, record_id=record_id),
            lambda record_id: Export.objects.get(pk=record_id),
        )

    def _page(self, form: RecordForm, status: int = 200) -> HttpResponse:
        part = part_of(self.request, visible_exports(self.actor).order_by("-requested_at", "-id"))
        archives = visible_archives(self.actor)
        rows = [_shown_export(each) for each in part.rows]
        values = {
            "form": form,
            "part": part,
            "rows": rows,
            "is_unfinished": any(each["state"] in (State.QUEUED, State.RUNNING) for each in rows),
            "may_take_in": _may_take_in(archives),
            "has_archives": archives.exists(),
        }
        return render(self.request, "reports/pages/exports.html", values, status=status)


class ExportFileView(WorkshopPage):
    """`/exports/<id>/file/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest, export_id: UUID) -> FileResponse:
        return zip_answer(*export_file(actor=self.actor, export_id=export_id))


class ArchivesView(WorkshopPage):
    """`/archives/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        return self._page(ArchiveForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        form = ArchiveForm(request.POST, request.FILES)
        if not form.is_valid() or self._handed_in(form) is None:
            return self._page(form, form.status)
        messages.success(request, _("The archive is being taken in. What came of it stands below when it is done."))
        return redirect("archives_page")

    def _handed_in(self, form: ArchiveForm) -> ArchiveIntake | None:
        upload = form.cleaned_data.pop("file")
        return self.once(
            ArchiveIntake._meta.label_lower,
            form,
            lambda record_id, _body: archive_hand_in(
                actor=self.actor, record_id=record_id, file=upload, most=LARGEST_UPLOAD
            ),
            lambda record_id: ArchiveIntake.objects.get(pk=record_id),
            sha256=digest_of(upload),
        )

    def _page(self, form: ArchiveForm, status: int = 200) -> HttpResponse:
        archives = visible_archives(self.actor)
        values = {
            "form": form,
            "may_begin": _may_take_in(archives),
            "rows": [_shown_archive(each) for each in archives.order_by("-handed_in_at", "-id")],
        }
        return render(self.request, "reports/pages/archives.html", values, status=status)


class CancelArchiveView(WorkshopPage):
    """`/archives/<id>/cancellation/`: harmless when repeated"""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, archive_id: UUID) -> HttpResponse:
        try:
            archive_cancel(actor=self.actor, intake_id=archive_id)
            messages.success(request, _("It is ended. Nothing of the archive was taken in."))
        except Conflict as refusal:
            messages.warning(request, str(refusal))
        return redirect("archives_page")


def _may_take_in(archives: QuerySet[ArchiveIntake]) -> bool:
    """Whether the workshop is empty, and no archive waits for it or is in it."""
    return not archives.exclude(state=ArchiveIntake.State.REFUSED).exists() and not what_is_there()


def _shown_export(export: Export) -> dict[str, Any]:
    state = export_state(export)
    return {"export": export, "state": state, "word": state.label, "contents": _contents(export.counts)}


def _shown_archive(intake: ArchiveIntake) -> dict[str, Any]:
    state = archive_state(intake)
    return {"archive": intake, "state": state, "word": state.label, "contents": _contents(intake.source["counts"])}


def _contents(counts: dict[str, Any]) -> list[tuple[int, Any]]:
    return [(number, CONTENTS[name]) for name, number in totals(counts).items()] if counts else []

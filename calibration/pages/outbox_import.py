"""File from a tablet: what a tablet held that will not come online again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy as _

from fleet.errors import Invalid
from fleet.models import Membership, OutboxFile
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission

from ..outbox_file.carrying_out import kind_of
from ..outbox_file.handing_in import opened, outbox_file_carry_out, outbox_file_for, outbox_file_hand_in

FILES_SHOWN: Final = 20
KINDS: Final = {
    "jobs": _("Reception of a vehicle"),
    "readiness": _("Readiness checks"),
    "leak-tests": _("Leak test"),
    "checks": _("Height check"),
    "rounds": _("Round of measurement"),
    "readings": _("Further readings"),
    "strike": _("Reading struck out"),
    "proposals": _("Proposal"),
    "writes": _("Write and read-back"),
    "photos": _("Photo"),
    "events": _("Work on the vehicle"),
    "fitments": _("Tyres fitted"),
    "concession": _("Wish for a concession"),
    "pause": _("Pause"),
    "resumption": _("Resumption"),
    "end": _("End of a job"),
    "reversion": _("Going back to as found"),
    "sign-off": _("Sign-off"),
}
OUTCOMES: Final = {
    "recorded": _("recorded now"),
    "known": _("was here already"),
    "refused": _("not accepted"),
    "to_sign": _("to be signed again"),
}
NOBODY: Final = _("not a person of this workshop")


class OutboxFileForm(forms.Form):
    """The file that a tablet saved."""

    file = forms.FileField(
        label=_("File from the tablet"),
        help_text=_("It ends in .lbox. Nothing is recorded before you have seen what is in it."),
        widget=forms.FileInput(attrs={"accept": ".lbox"}),
        error_messages={"required": _("Choose the file."), "empty": _("The file is empty. Copy it again.")},
    )


class OutboxImportView(WorkshopPage):
    """`/tablets/import/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        return self._page(OutboxFileForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        form = OutboxFileForm(request.POST, request.FILES)
        if not form.is_valid():
            return self._page(form, status=422)
        try:
            file = outbox_file_hand_in(actor=self.actor, content=form.cleaned_data["file"].read())
        except Invalid as error:
            for each in error.errors:
                form.add_error("file", each.detail)
            return self._page(form, status=422)
        return redirect("outbox_file_page", file.pk)

    def _page(self, form: OutboxFileForm, status: int = 200) -> HttpResponse:
        done = OutboxFile.objects.exclude(carried_out_at=None).defer("content")[:FILES_SHOWN]
        return render(self.request, "calibration/outbox_import.html", {"form": form, "done": done}, status=status)


class OutboxFileView(WorkshopPage):
    """`/tablets/import/<id>/`: what is in a file, and then what came of it"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest, file_id: UUID) -> HttpResponse:
        file = outbox_file_for(self.actor, file_id)
        is_done = file.carried_out_at is not None
        rows = _outcomes(file.outcomes) if is_done else _contents(opened(self.actor, file).records)
        counts = {word: sum(each["outcome"] == code for each in rows) for code, word in OUTCOMES.items()}
        values = {"file": file, "is_done": is_done, "rows": rows, "counts": {k: v for k, v in counts.items() if v}}
        return render(request, "calibration/outbox_file.html", values)

    def post(self, request: HttpRequest, file_id: UUID) -> HttpResponse:
        outbox_file_carry_out(actor=self.actor, file_id=file_id, around=request)
        return redirect("outbox_file_page", file_id)


def _contents(records: Iterable[Any]) -> list[dict[str, Any]]:
    names = _names()
    return [
        _row(kind_of(each.path), names.get(str(each.person_id)), each.noted_at_ms, file=each.picture)
        for each in records
    ]


def _outcomes(outcomes: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    names = _names()
    return [
        _row(each["kind"], names.get(each["person"]), each["noted_at_ms"], each["outcome"], each["detail"])
        for each in outcomes
    ]


def _row(
    kind: str, person: str | None, noted_at_ms: int, outcome: str = "", detail: str = "", file: object = None
) -> dict[str, Any]:
    return {
        "kind": KINDS.get(kind, kind),
        "person": person or NOBODY,
        "noted_at": datetime.fromtimestamp(noted_at_ms / 1000, UTC),
        "outcome": outcome,
        "word": OUTCOMES.get(outcome, ""),
        "detail": detail,
        "has_picture": file is not None,
    }


def _names() -> dict[str, str]:
    return {str(key): name for key, name in Membership.objects.values_list("pk", "name")}

"""What both decisions share: the job as it stands, who may decide, and a form that covers what was shown."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fleet.actor import Actor
from fleet.errors import Forbidden
from fleet.pages.workshop_page import RecordForm, WorkshopPage
from fleet.permissions import Permission, may, require

from ..api.documents import Shown, job_document
from ..selectors.casefile import CaseFile
from ..services.independence import decides_alone
from . import words
from .shown import assessment_bars


@dataclass(frozen=True, slots=True)
class Right:
    """Whether a person may decide here, and where not, why; `alone` where they decide on their own work."""

    has_role: bool
    is_independent: bool
    alone: bool = False

    @property
    def may(self) -> bool:
        return self.has_role and (self.is_independent or self.alone)


def right_of(actor: Actor, permission: Permission, involved: Collection[UUID | None]) -> Right:
    try:
        return Right(may(actor, permission), True, decides_alone(actor, involved))
    except Forbidden:
        return Right(may(actor, permission), False)


class DecisionPage(WorkshopPage):
    """One decision on one job. Subclasses say what is decided on, and how it is carried out."""

    permission = Permission.READ_WORKSHOP
    keeps_entries = True
    deciding: Permission
    form_class: type[RecordForm]
    template: str

    def load(self, record_id: UUID) -> CaseFile:
        """Find what is to be decided on, keep it, and give its job's case file."""
        raise NotImplementedError

    @property
    def hash_shown(self) -> str:
        """What the decision covers."""
        raise NotImplementedError

    @property
    def is_open(self) -> bool:
        raise NotImplementedError

    def right(self) -> Right:
        raise NotImplementedError

    def carry_out(self, form: RecordForm) -> object | None:
        """The decision; None where the form says why not."""
        raise NotImplementedError

    def values(self) -> dict[str, Any]:
        """What the page shows beside the job."""
        raise NotImplementedError

    def get(self, request: HttpRequest, record_id: UUID) -> HttpResponse:
        self.case = self.load(record_id)
        return self.page(self.filled_in(self.form_class(initial={"content_sha256": self.hash_shown})))

    def post(self, request: HttpRequest, record_id: UUID) -> HttpResponse:
        self.case = self.load(record_id)
        require(self.actor, self.deciding)
        form = self.form_class(request.POST)
        if form.is_valid() and self.carry_out(form) is not None:
            return redirect(request.path)
        self.case = self.load(record_id)
        form.show_anew({"content_sha256": self.hash_shown})
        return self.page(form, form.status)

    def page(self, form: RecordForm, status: int = HTTPStatus.OK) -> HttpResponse:
        job = job_document(self.actor, self.case)
        shown: dict[str, Any] = {
            "form": form,
            "job": job,
            "vehicle": job["vehicle"],
            "step": words.STEPS[job["next_step"]],
            "bars": assessment_bars(job["assessment"], self.case.specification, self.reader.length_unit, "now"),
            "caution_texts": [each.text for each in job["cautions"]],
            "is_open": self.is_open,
            "right": self.right(),
            "hash_shown": self.hash_shown,
        }
        return render(self.request, self.template, {**shown, **self.values()}, status=status)

    @staticmethod
    def with_id(documents: list[Shown], record_id: UUID | None) -> Shown | None:
        return next((each for each in documents if each["id"] == record_id), None)

"""Pages with one form that a service carries out, and lists that lead to them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any, ClassVar, Final
from uuid import UUID

from django.contrib import messages
from django.db.models import Model, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _

from fleet.api.resources import found
from fleet.permissions import Permission, may

from .bodies import BodyForm
from .lists import ROWS_SHOWN, part_of
from .workshop_page import WorkshopPage

LONGEST_SEARCH: Final = 100
BACK_TO_FIRST_STEPS: Final = "?from=first-steps"
"""Behind the address of a form: done or given up, it leads back there."""


class FormPage(WorkshopPage):
    """A form, shown and carried out. Subclasses say in `make` by which service."""

    permission: ClassVar[Permission | None] = Permission.SET_UP
    keeps_entries = True
    template: ClassVar[str] = "fleet/form.html"
    form_class: ClassVar[type[BodyForm]]
    model: ClassVar[type[Model]]
    kind: ClassVar[str]
    """Of the receipts by which a form sent twice is known."""
    leads_to: ClassVar[str]
    """The page to which it leads, done or given up."""
    heading: ClassVar[Any] = ""
    explanation: ClassVar[Any] = ""
    submit: ClassVar[Any] = ""
    done: ClassVar[Any] = ""

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        return self.page(self.filled_in(self.form_class(initial=self.initial())))

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        form = self.form_class(request.POST, initial=self.initial())
        if not form.is_valid():
            return self.page(form)
        about = {name: str(value) for name, value in kwargs.items()}
        made = self.once(self.kind, form, self.carry_out, self.find, **about)
        if made is None:
            self.prepare_again(form)
            return self.page(form)
        return self.answer(made)

    def initial(self) -> Mapping[str, Any]:
        """What the fields hold at first."""
        return {}

    def carry_out(self, record_id: UUID, values: dict[str, Any]) -> Any:
        values.pop("version")
        return self.make(record_id, values)

    def make(self, record_id: UUID, values: dict[str, Any]) -> Any:
        """Call the service with the validated body."""
        raise NotImplementedError

    def find(self, record_id: UUID) -> Any:
        """What was made when the form was sent before."""
        return self.model._default_manager.get(pk=record_id)

    def destination(self, made: Any) -> str:
        return reverse(self.leads_to)

    def answer(self, made: Any) -> HttpResponse:
        if self.done:
            messages.success(self.request, self.done)
        return redirect(self._way_back() or self.destination(made))

    def _way_back(self) -> str:
        return reverse("first_steps") if self.request.GET.get("from") == "first-steps" else ""

    def prepare_again(self, form: BodyForm) -> None:
        """Before a refused form is shown again."""

    def context(self) -> Mapping[str, Any]:
        """What the template needs besides the form."""
        return {}

    def cancel_url(self) -> str:
        return reverse(self.leads_to)

    def page(self, form: BodyForm) -> HttpResponse:
        said = {"heading": self.heading, "explanation": self.explanation, "submit": self.submit or _("Save")}
        values = {"form": form, "cancel_url": self._way_back() or self.cancel_url(), **said, **self.context()}
        return render(self.request, self.template, values, status=form.status if form.is_bound else 200)


class ChangePage(FormPage):
    """A form that changes something versioned, which the address names as `parameter`."""

    parameter: ClassVar[str]

    @property
    def record(self) -> Any:
        """What is to be changed, as it is now."""
        return found(self.records(), self.kwargs[self.parameter])

    def records(self) -> QuerySet[Any]:
        return self.model._default_manager.all()

    def carry_out(self, record_id: UUID, values: dict[str, Any]) -> Any:
        return self.change([values.pop("version")], values)

    def change(self, versions: list[int], values: dict[str, Any]) -> Any:
        """Call the service with the version that was seen and the validated body."""
        raise NotImplementedError

    def find(self, record_id: UUID) -> Any:
        return self.record

    def prepare_again(self, form: BodyForm) -> None:
        if form.status == HTTPStatus.PRECONDITION_FAILED:
            form.show_present(self.initial())

    def context(self) -> Mapping[str, Any]:
        return {"heading": str(self.record)}


class ListPage(WorkshopPage):
    """A list in parts, searched and sorted by what the address says."""

    permission: ClassVar[Permission | None] = Permission.READ_WORKSHOP
    template: ClassVar[str]
    sorts: ClassVar[Mapping[str, tuple[str, ...]]]
    """Each column that may be sorted by, with its fields; the first is the usual one."""

    rows_shown: ClassVar[int] = ROWS_SHOWN

    def rows(self) -> QuerySet[Any]:
        raise NotImplementedError

    def matching(self, rows: QuerySet[Any], text: str) -> QuerySet[Any]:
        """Those in which a text occurs."""
        raise NotImplementedError

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        text = searched_text(request)
        rows = self.rows()
        rows = self.matching(rows, text) if text else rows
        part = part_of(request, rows.order_by(*self._order()), self.rows_shown)
        values = {
            "part": part,
            "rows": part.rows,
            "text": text,
            "sort": self._sort(),
            "reader": self.reader,
            "may_set_up": may(self.actor, Permission.SET_UP),
            **self.context(part.rows),
        }
        return render(request, self.template, values)

    def context(self, rows: Iterable[Any]) -> Mapping[str, Any]:
        return {}

    def _sort(self) -> str:
        """The name of a column, with a minus before it where it falls."""
        asked = self.request.GET.get("sort", "")
        return asked if asked.removeprefix("-") in self.sorts else next(iter(self.sorts))

    def _order(self) -> list[str]:
        sort = self._sort()
        fields = self.sorts[sort.removeprefix("-")]
        return [f"-{name}" if sort.startswith("-") else name for name in fields] + ["pk"]


def searched_text(request: HttpRequest) -> str:
    """What a list is searched for, without what no database takes."""
    return request.GET.get("q", "").replace("\x00", "").strip()[:LONGEST_SEARCH]

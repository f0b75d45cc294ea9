"""Imports: handing in a file, saying what its columns are, a trial, and what came of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from calibration.models import HeightCheck
from fleet.api.parsers import BodyTooLarge
from fleet.errors import Conflict, Invalid, NotFound
from fleet.models import Workshop
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import RecordForm, WorkshopPage
from fleet.permissions import Permission

from ..api.import_views import errors_of
from ..imports import headings, registry
from ..imports.assumptions import DAY_ORDER, DAY_ORDERS, LOADING, TIME_OF_DAY, ZONE_OF_DAYS
from ..imports.check_rows import CheckRows
from ..imports.examples import MEDIA_TYPES, example_cell, example_file
from ..imports.kinds import ImportKind
from ..imports.tables import Sample
from ..imports.vehicle_rows import VehicleRows
from ..models import Import, ImportFile
from ..selectors.imports import import_for, problems_of, visible_imports
from ..services.import_settings import proposed_columns
from ..services.imports import (
    UNFINISHED,
    file_for,
    import_begin,
    import_cancel,
    import_file_keep,
    sample_for,
)
from .import_forms import IN_EARNEST, ColumnsForm, ImportFileForm

_ASSUMED: Final = {
    TIME_OF_DAY: gettext_lazy("Time of day assumed where there was none"),
    ZONE_OF_DAYS: gettext_lazy("Time zone of assumed times"),
    DAY_ORDER: gettext_lazy("Days written like 03/05/2024 have"),
    LOADING: gettext_lazy("How the vehicles were loaded"),
}
_RESTS_ON: Final = {
    VehicleRows.name: (("operators", gettext_lazy("Operators")), ("vehicle_models", gettext_lazy("Vehicle models"))),
    CheckRows.name: (("vehicles_page", gettext_lazy("Vehicles")), ("instruments", gettext_lazy("Instruments"))),
}
"""Pages of what rows of a kind name, and what has to be there before them."""
PREVIEWED: Final = 5
PROBLEMS_SHOWN: Final = 100
LONGEST_CELL: Final = 60
SETTINGS_OF: Final = "settings_of"
"""In addresses: of which import the settings are to be proposed."""


class ImportsView(WorkshopPage):
    """`/imports/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        part = part_of(request, visible_imports(self.actor).order_by("-created_at", "-id"))
        values = {"part": part, "rows": [shown_import(each) for each in part.rows]}
        return render(request, "reports/pages/imports.html", values)


class NewImportView(WorkshopPage):
    """`/imports/new/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        earlier = _earlier(self)
        return self._page(ImportFileForm(initial={"kind": earlier.kind} if earlier else None))

    def post(self, request: HttpRequest) -> HttpResponse:
        form = ImportFileForm(request.POST, request.FILES)
        if not form.is_valid():
            return self._page(form, status=422)
        upload = form.cleaned_data["file"]
        if upload.size > settings.IMPORT_LARGEST_BYTES:
            form.add_error("file", str(BodyTooLarge(settings.IMPORT_LARGEST_BYTES).detail))
            return self._page(form, status=413)
        try:
            file = import_file_keep(actor=self.actor, name=upload.name, content=upload)
        except Invalid as error:
            for each in error.errors:
                form.add_error("file", each.detail)
            return self._page(form, status=422)
        kind, earlier = form.cleaned_data["kind"], _earlier(self)
        return redirect(_columns_address(file, kind, earlier if earlier and earlier.kind == kind else None))

    def _page(self, form: ImportFileForm, status: int = 200) -> HttpResponse:
        kinds = [_described(each) for each in registry.KINDS]
        values = {"form": form, "kinds": kinds, "earlier": _earlier(self), **limits()}
        return render(self.request, "reports/pages/import_new.html", values, status=status)


class ImportColumnsView(WorkshopPage):
    """`/imports/files/<id>/<kind>/`: which column is which; then a trial, or the import"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest, file_id: UUID, kind: str) -> HttpResponse:
        file = file_for(self.actor, file_id)
        return self._page(file, self._form(file, _kind(kind)))

    def post(self, request: HttpRequest, file_id: UUID, kind: str) -> HttpResponse:
        file = file_for(self.actor, file_id)
        form = self._form(file, _kind(kind), request.POST)
        if not form.is_valid():
            return self._page(file, form)
        is_trial = request.POST.get("how") != IN_EARNEST

        def begin(record_id: UUID, values: dict[str, Any]) -> Import:
            body = form.body(values)
            return import_begin(actor=self.actor, record_id=record_id, file=file, kind=kind, dry_run=is_trial, **body)

        run = self.once("page.import_begin", form, begin, self._found, file=file.pk, of_kind=kind, trial=is_trial)
        return self._page(file, form) if run is None else redirect("import_page", run.pk)

    def _found(self, record_id: UUID) -> Import:
        return import_for(self.actor, record_id)

    def _form(self, file: ImportFile, kind: ImportKind, data: Any = None) -> ColumnsForm:
        if file.removed_at is not None:
            raise NotFound
        zone = Workshop.objects.get(pk=self.actor.workshop_id).time_zone
        earlier = _earlier(self)
        self.earlier = earlier if earlier and earlier.kind == kind.name else None
        try:
            self.sample = sample_for(file)
        except Invalid as error:
            self.unreadable = str(error.errors[0].detail)
            return ColumnsForm(data, kind=kind, sample=Sample([], []), zone=zone, proposed={})
        proposed = proposed_columns(self.earlier, file, self.sample, kind.name)
        return ColumnsForm(data, kind=kind, sample=self.sample, zone=zone, proposed=proposed, earlier=self.earlier)

    def _page(self, file: ImportFile, form: ColumnsForm) -> HttpResponse:
        sample = getattr(self, "sample", None)
        shown = list(sample.headings) if sample else []
        rows = sample.rows[:PREVIEWED] if sample else []
        values = {
            "file": file,
            "format": ImportFile.Format(file.format).label,
            "form": form,
            "kind": form.kind,
            "earlier": self.earlier,
            "headings": shown,
            "rows": [[_cell(row.get(each)) for each in shown] for row in rows],
            "unread": sample.unread if sample else None,
            "unreadable": getattr(self, "unreadable", ""),
            **limits(),
        }
        status = form.status if form.is_bound else 200
        return render(self.request, "reports/pages/import_columns.html", values, status=status)


class ImportView(WorkshopPage):
    """`/imports/<id>/`: how far it is, and what was wrong with its rows"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest, import_id: UUID) -> HttpResponse:
        run = import_for(self.actor, import_id)
        problems = list(problems_of(run)[: PROBLEMS_SHOWN + 1])
        values = {
            "problems": problems[:PROBLEMS_SHOWN],
            "has_more": len(problems) > PROBLEMS_SHOWN,
            "may_be_carried_out": _may_be_carried_out(run),
            "goes_on": list(_goes_on(run)),
            "form": RecordForm(),
            **shown_import(run),
        }
        return render(request, "reports/pages/import.html", values)


class CarryOutView(WorkshopPage):
    """`/imports/<id>/carrying-out/`: after a trial the same in earnest; harmless when repeated"""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, import_id: UUID) -> HttpResponse:
        trial = import_for(self.actor, import_id)
        form = RecordForm(request.POST)
        if not _may_be_carried_out(trial) or not form.is_valid():
            messages.warning(request, _("This cannot be carried out from here. Hand the file in once more."))
            return redirect("import_page", trial.pk)
        run = self.once("page.import_carry_out", form, self._begin(trial), self._found, trial=trial.pk)
        return redirect("import_page", trial.pk if run is None else run.pk)

    def _begin(self, trial: Import) -> Any:
        def begin(record_id: UUID, _values: dict[str, Any]) -> Import:
            return import_begin(
                actor=self.actor,
                record_id=record_id,
                file=trial.file,
                kind=trial.kind,
                columns=trial.columns,
                time_zone=trial.time_zone,
                assumptions=trial.assumptions,
                atomic=trial.atomic,
            )

        return begin

    def _found(self, record_id: UUID) -> Import:
        return import_for(self.actor, record_id)


class CancelImportView(WorkshopPage):
    """`/imports/<id>/cancellation/`: harmless when repeated"""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, import_id: UUID) -> HttpResponse:
        try:
            import_cancel(actor=self.actor, import_id=import_id)
            messages.success(request, _("The import is cancelled."))
        except Conflict as refusal:
            messages.warning(request, str(refusal))
        return redirect("import_page", import_id)


class ImportErrorsView(WorkshopPage):
    """`/imports/<id>/errors/`: a file"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest, import_id: UUID) -> HttpResponseBase:
        return errors_of(import_for(self.actor, import_id))


class ImportExampleView(WorkshopPage):
    """`/imports/examples/<kind>.<format>`: a file"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest, kind: str, form: str) -> HttpResponseBase:
        if form not in MEDIA_TYPES:
            raise NotFound
        content = example_file(_kind(kind), form, get_language() or settings.LANGUAGE_CODE)
        response = HttpResponse(content, content_type=MEDIA_TYPES[ImportFile.Format(form)])
        response["Content-Disposition"] = f'attachment; filename="{kind}.{form}"'
        return response


def shown_import(run: Import) -> dict[str, Any]:
    """An import with its words."""
    looked_at = None
    if run.file.lines and run.state in UNFINISHED:
        looked_at = min(99, 100 * run.line // run.file.lines)
    return {
        "run": run,
        "kind": next((each.label for each in registry.KINDS if each.name == run.kind), run.kind),
        "state": Import.State(run.state).label,
        "phase": Import.Phase(run.phase).label,
        "is_unfinished": run.state in UNFINISHED,
        "percent": looked_at,
        "new": run.accepted - run.known,
        "assumed": [(_ASSUMED[name], _in_words(name, value)) for name, value in run.assumptions.items()],
    }


def _described(kind: ImportKind) -> dict[str, Any]:
    """What a file of a kind holds, by its columns."""
    language = get_language() or settings.LANGUAGE_CODE
    columns = [
        {
            "heading": headings.heading(each.name, language),
            "meaning": each.label,
            "is_required": each.is_required,
            "may_be_given": each.may_be_given,
            "example": example_cell(each, language),
        }
        for each in kind.columns()
        if each.name in headings.HEADINGS
    ]
    return {
        "kind": kind,
        "columns": columns,
        "formats": list(MEDIA_TYPES),
        "rests_on": _RESTS_ON.get(kind.name, ()),
    }


def limits() -> dict[str, Any]:
    return {
        "most_rows": settings.IMPORT_MOST_ROWS,
        "most_atomic": settings.IMPORT_MOST_ATOMIC_ROWS,
        "most_megabytes": settings.IMPORT_LARGEST_BYTES // 1_000_000,
        "days": settings.IMPORT_FILE_DAYS,
    }


def _in_words(name: str, value: str) -> Any:
    words = {DAY_ORDER: DAY_ORDERS, LOADING: dict(HeightCheck.Loading.choices)}
    return words.get(name, {}).get(value, value)


def _goes_on(run: Import) -> Iterator[tuple[str, str]]:
    """Where people go from a run that has ended: what it recorded, or what is to be put right."""
    if run.state in UNFINISHED:
        return
    if not run.dry_run and run.accepted:
        yield f"{reverse('vehicles_page')}?sort=newest", _("See the vehicles")
        if run.kind == CheckRows.name:
            yield reverse("due_page"), _("See what is due")
    if run.file.removed_at is None and (run.dry_run or run.failure):
        yield _columns_address(run.file, run.kind, run), _("Change which column is which")
    if run.rejected or run.failure:
        words = _("Hand the mended rows in, with the settings of this import")
        yield f"{reverse('import_new')}{_with_settings_of(run)}", words


def _earlier(page: WorkshopPage) -> Import | None:
    """The import whose settings the address asks for."""
    named = page.request.GET.get(SETTINGS_OF)
    if not named:
        return None
    try:
        return import_for(page.actor, UUID(named))
    except ValueError:
        raise NotFound from None


def _columns_address(file: ImportFile, kind: str, earlier: Import | None) -> str:
    return f"{reverse('import_columns_page', args=[file.pk, kind])}{_with_settings_of(earlier) if earlier else ''}"


def _with_settings_of(run: Import) -> str:
    return f"?{SETTINGS_OF}={run.pk}"


def _may_be_carried_out(run: Import) -> bool:
    return run.dry_run and run.state == Import.State.DONE and run.file.removed_at is None and run.accepted > 0


def _kind(name: str) -> ImportKind:
    if name not in registry.names():
        raise NotFound
    return registry.kind_of(name)


def _cell(value: Any) -> str:
    text = "" if value is None else str(value)
    return text if len(text) <= LONGEST_CELL else f"{text[:LONGEST_CELL]}…"

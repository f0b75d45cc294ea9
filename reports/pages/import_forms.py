"""Forms of imports: a file with its kind, and which of its columns is which."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final
from zoneinfo import available_timezones

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.errors import Invalid
from fleet.pages.workshop_page import RecordForm, Refusal

from ..imports import registry
from ..imports.kinds import ImportKind

TRIAL: Final = "trial"
PREFIX: Final = "column_"


def _kind_choices() -> list[tuple[str, Any]]:
    return [(each.name, each.label) for each in registry.KINDS]


class ImportFileForm(forms.Form):
    """The file, and what its rows are."""

    file = forms.FileField(
        label=gettext_lazy("File"),
        help_text=gettext_lazy("A spreadsheet (.xlsx), CSV in UTF-8 or UTF-16, or a JSON object in each line."),
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv,.xlsx,.ndjson,.jsonl"}),
        max_length=200,
        allow_empty_file=True,
        error_messages={"required": gettext_lazy("Choose the file.")},
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("Each row is"), choices=_kind_choices, widget=forms.RadioSelect, initial="checks"
    )


class ColumnsForm(RecordForm):
    """Which heading of the file holds which of our columns, and how the file is to be carried out."""

    time_zone = forms.ChoiceField(
        label=gettext_lazy("Times without an offset are of"),
        help_text=gettext_lazy("Spreadsheets know no offset from UTC. An hour that the clocks repeat is refused."),
        required=False,
    )
    atomic = forms.BooleanField(
        label=gettext_lazy("All rows or none"),
        help_text=gettext_lazy("If a single row is not right, nothing is recorded. For small files."),
        required=False,
    )

    def __init__(self, *args: Any, kind: ImportKind, headings: Sequence[str], zone: str, **options: Any) -> None:
        super().__init__(*args, **options)
        self.kind = kind
        chosen = self.fields["time_zone"]
        chosen.choices = [("", _("no place: they are refused")), *((each, each) for each in _zones(zone))]  # type: ignore[attr-defined]
        chosen.initial = zone
        known = registry.suggested_mapping(kind, headings)
        for column in kind.columns():
            self.fields[f"{PREFIX}{column.name}"] = forms.ChoiceField(
                label=f"{column.name}: {column.label}",
                choices=[("", _("not in the file")), *((each, each) for each in headings if each)],
                required=column.is_required,
                initial=known.get(column.name, ""),
                error_messages={"required": _("Say which heading of the file this is.")},
            )

    @property
    def columns(self) -> list[forms.BoundField]:
        return [self[f"{PREFIX}{column.name}"] for column in self.kind.columns()]

    def body(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """What the service takes."""
        columns = {name.removeprefix(PREFIX): value for name, value in values.items() if name.startswith(PREFIX)}
        return {"columns": columns, "time_zone": values["time_zone"], "atomic": values["atomic"]}

    def refuse(self, error: Refusal) -> None:
        """What is said of the file or the columns as a whole stands above the form."""
        if isinstance(error, Invalid):
            error = Invalid(
                (each.pointer if each.pointer.strip("/") in self.fields else "", each.code, each.detail)
                for each in error.errors
            )
        super().refuse(error)


def _zones(first: str) -> list[str]:
    places = sorted(each for each in available_timezones() if "/" in each and not each.startswith(("Etc/", "SystemV/")))
    return [first, *(each for each in ["UTC", *places] if each != first)]

"""Forms of imports: a file with its kind, and which of its columns is which."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from django import forms
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.models import HeightCheck
from fleet.errors import Invalid
from fleet.pages.workshop_page import RecordForm, Refusal
from fleet.time_zones import time_zones

from ..imports import registry
from ..imports.assumptions import DAY_ORDERS, LOADING, NOON, ZONE_OF_DAYS, stated
from ..imports.columns import is_day_alone, is_slashed
from ..imports.kinds import ImportKind
from ..imports.tables import Sample
from ..models import Import

IN_EARNEST: Final = "import"
"""Said by one button; whatever else is pressed or sent records nothing."""
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
    """Which heading of the file holds which of our columns, and what its cells do not say."""

    time_zone = forms.ChoiceField(
        label=gettext_lazy("Time zone of the times in the file"),
        help_text=gettext_lazy(
            "Where a time does not say it itself. An hour that the clocks repeat in autumn is refused."
        ),
        required=False,
    )
    time_of_day = forms.TimeField(
        label=gettext_lazy("Time of day where a row has only the day"),
        help_text=gettext_lazy(
            "Such checks say that their time was assumed and not measured. Left empty, such rows are refused."
        ),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={"invalid": gettext_lazy("Write it like 12:00.")},
    )
    day_order = forms.ChoiceField(
        label=gettext_lazy("Days written like 03/05/2024 have"),
        help_text=gettext_lazy("Nobody can tell from the file. Ask whoever wrote it, where you do not know."),
        required=False,
        error_messages={"required": gettext_lazy("The file has such days. Say what comes first in them.")},
    )
    loading = forms.ChoiceField(
        label=gettext_lazy("How the vehicles were loaded"),
        help_text=gettext_lazy(
            "Where no column of the file says it. Heights under another load are shown, not judged."
        ),
        required=False,
        error_messages={"required": gettext_lazy("Say it here, or which heading of the file says it.")},
    )
    atomic = forms.BooleanField(
        label=gettext_lazy("All rows or none"),
        help_text=gettext_lazy("If a single row is not right, nothing is recorded. For small files."),
        required=False,
    )

    zone_of_days = ""
    """Settled for an earlier import whose settings are proposed."""

    def __init__(
        self,
        *args: Any,
        kind: ImportKind,
        sample: Sample,
        zone: str,
        proposed: Mapping[str, str],
        earlier: Import | None = None,
        **options: Any,
    ) -> None:
        """`proposed`: heading by column; `earlier`: an import of the same kind whose settings are proposed."""
        super().__init__(*args, **options)
        self.kind = kind
        headings = [each for each in sample.headings if each]
        self._offer(
            "time_zone", _("none: times that do not say it are refused"), ((each, each) for each in _zones(zone))
        )
        self.fields["time_zone"].initial = zone
        self._add_columns(kind, headings, proposed)
        self._ask(sample)
        if earlier is not None:
            self._take_over(earlier)

    def _add_columns(self, kind: ImportKind, headings: Sequence[str], proposed: Mapping[str, str]) -> None:
        unclear = registry.undecided(kind, headings)
        for column in kind.columns():
            is_unclear = column.name in unclear and column.name not in proposed
            several = ", ".join(f"“{each}”" for each in unclear[column.name]) if is_unclear else ""
            self.fields[f"{PREFIX}{column.name}"] = forms.ChoiceField(
                label=capfirst(column.label),
                help_text=_("Could be %(headings)s: say which.") % {"headings": several} if several else "",
                choices=[("", _("not in the file")), *((each, each) for each in headings)],
                required=column.is_required and not column.may_be_given,
                initial=proposed.get(column.name, ""),
                error_messages={"required": _("Say which heading of the file this is.")},
            )

    def _ask(self, sample: Sample) -> None:
        """Ask what only these rows or their kind make necessary; what the first rows show is asked with emphasis."""
        names = {column.name for column in self.kind.columns()}
        if "taken_at" not in names:
            del self.fields["time_of_day"], self.fields["day_order"], self.fields["time_zone"]
        else:
            times = [each for row in sample.rows for each in self._times(row)]
            self.has_days_alone = any(is_day_alone(each) for each in times)
            self.fields["time_of_day"].initial = NOON if self.has_days_alone else None
            is_needed = self.fields["day_order"].required = any(is_slashed(each) for each in times)
            first = _("Choose") if is_needed else _("no known order: they are refused")
            self._offer("day_order", first, DAY_ORDERS.items())
        if "loading" not in names:
            del self.fields["loading"]
        else:
            column = f"{PREFIX}{LOADING}"
            is_in_file = bool(self.data.get(column) if self.is_bound else self.fields[column].initial)
            self.fields["loading"].required = not is_in_file
            first = _("a column of the file says it") if is_in_file else _("Choose")
            self._offer("loading", first, HeightCheck.Loading.choices)

    def _take_over(self, earlier: Import) -> None:
        """What was said before, but of the load where a column of the file says it now."""
        self.zone_of_days = earlier.assumptions.get(ZONE_OF_DAYS, "")
        said = {"time_zone": earlier.time_zone, "atomic": earlier.atomic, **earlier.assumptions}
        for name, value in said.items():
            if name in self.fields and not (name == LOADING and self.fields[f"{PREFIX}{LOADING}"].initial):
                self.fields[name].initial = value

    def _offer(self, name: str, first: str, others: Iterable[tuple[str, Any]]) -> None:
        self.fields[name].choices = [("", first), *others]  # type: ignore[attr-defined]

    def _times(self, row: Mapping[str, Any]) -> list[Any]:
        """The cells of a row that may say when it was measured: of the column proposed for that, or else all."""
        day, clock = (self[f"{PREFIX}{each}"].initial for each in ("taken_at", "clock"))
        if not day:
            return list(row.values())
        return [f"{row.get(day) or ''} {row.get(clock) or ''}".strip()]

    def clean_time_of_day(self) -> str:
        """As the interface has it."""
        at = self.cleaned_data["time_of_day"]
        return str(at.isoformat("minutes")) if at else ""

    @property
    def columns(self) -> list[forms.BoundField]:
        return [self[f"{PREFIX}{column.name}"] for column in self.kind.columns()]

    @property
    def settings(self) -> list[forms.BoundField]:
        names = ("loading", "time_of_day", "day_order", "time_zone", "atomic")
        return [self[name] for name in names if name in self.fields]

    def body(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """What the service takes."""
        columns = {name.removeprefix(PREFIX): value for name, value in values.items() if name.startswith(PREFIX)}
        said = {**values, LOADING: ""} if columns.get("loading") else values
        return {
            "columns": columns,
            "time_zone": values.get("time_zone", ""),
            "atomic": values["atomic"],
            "assumptions": stated({**said, ZONE_OF_DAYS: self.zone_of_days}),
        }

    def refuse(self, error: Refusal) -> None:
        """What is said of the file or the columns as a whole stands above the form."""
        if isinstance(error, Invalid):
            error = Invalid(
                (each.pointer if each.pointer.strip("/") in self.fields else "", each.code, each.detail)
                for each in error.errors
            )
        super().refuse(error)


def _zones(first: str) -> list[str]:
    places = sorted(each for each in time_zones() if "/" in each and not each.startswith(("Etc/", "SystemV/")))
    return [first, *(each for each in ["UTC", *places] if each != first)]

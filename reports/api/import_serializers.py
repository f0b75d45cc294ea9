"""Imports over HTTP: what is sent and answered."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, ClassVar, Final

from django.utils.translation import gettext_lazy as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from calibration.models import HeightCheck
from fleet.api.choices import Choice
from fleet.api.fields import AwareDateTime, ClientId, TrimmedText
from fleet.api.inputs import RecordSerializer, RequestBody

from ..imports import registry
from ..imports.assumptions import DAY_ORDERS
from ..models import Import, ImportFile, RowProblem
from ..selectors.imports import PROBLEMS_SHOWN, problems_of

KINDS: Final = registry.names()
_TIME_OF_DAY: Final = re.compile(r"([01]\d|2[0-3]):[0-5]\d", re.ASCII)
LONGEST_COLUMNS: Final = 20_000


class FormBoolean(serializers.Field[bool, Any, bool, Any]):
    """`true` or `false`, as form data carries them."""

    default_error_messages: ClassVar[dict[str, Any]] = {"not_a_boolean": _("Must be true or false.")}

    def to_internal_value(self, data: Any) -> bool:
        if data not in ("true", "false"):
            self.fail("not_a_boolean")
        return bool(data == "true")

    def to_representation(self, value: bool) -> bool:
        return value


class TimeOfDay(TrimmedText):
    """Hour and minute."""

    default_error_messages: ClassVar[dict[str, Any]] = {"not_a_time_of_day": _("Must be a time of day like 12:00.")}

    def __init__(self, **options: Any) -> None:
        super().__init__(max_length=5, **options)

    def to_internal_value(self, data: Any) -> str:
        text = super().to_internal_value(data)
        if text and not _TIME_OF_DAY.fullmatch(text):
            self.fail("not_a_time_of_day")
        return text


class ColumnsField(serializers.Field[dict[str, str], Any, dict[str, str], Any]):
    """Our columns with the file's headings, as a JSON object in form data."""

    default_error_messages: ClassVar[dict[str, Any]] = {
        "not_columns": _("Must be a JSON object of texts: column to heading."),
    }

    def to_internal_value(self, data: Any) -> dict[str, str]:
        if not isinstance(data, str) or len(data) > LONGEST_COLUMNS or "\0" in data:
            self.fail("not_columns")
        try:
            found = json.loads(data)
        except (ValueError, RecursionError):
            self.fail("not_columns")
        if not isinstance(found, dict) or not all(isinstance(each, str) for each in found.values()):
            self.fail("not_columns")
        try:
            json.dumps(found, ensure_ascii=False).encode()
        except UnicodeEncodeError:
            self.fail("not_columns")
        if "\0" in "".join([*found, *found.values()]):
            self.fail("not_columns")
        return {str(name): value.strip() for name, value in found.items()}

    def to_representation(self, value: Mapping[str, str]) -> dict[str, str]:
        return dict(value)


ColumnsField = extend_schema_field(OpenApiTypes.STR)(ColumnsField)  # type: ignore[misc]
FormBoolean = extend_schema_field(OpenApiTypes.BOOL)(FormBoolean)  # type: ignore[misc]


class NewImport(RequestBody):
    """A file with what is to be made of it, as multipart form data."""

    id = ClientId(required=False, help_text=_("Made by the client, version 7; sending it again makes nothing new."))
    file = serializers.FileField(
        help_text=_("CSV, XLSX, or a JSON object in each line (NDJSON); recognised by its content."),
        max_length=200,
        allow_empty_file=True,
        error_messages={"invalid": _("Send the file itself, as the part `file` of multipart form data.")},
    )
    kind = Choice(KINDS, help_text=_("What each row is."))
    dry_run = FormBoolean(
        required=False, default=False, help_text=_("`true`: say what would be refused, and keep nothing.")
    )
    atomic = FormBoolean(
        required=False, default=False, help_text=_("`true`: record all rows or none; for a limited number of rows.")
    )
    columns = ColumnsField(
        required=False,
        default=dict,
        help_text=_("Which heading of the file is which column, where they differ: a JSON object, column to heading."),
    )
    time_zone = TrimmedText(
        max_length=64,
        required=False,
        allow_blank=True,
        default="",
        help_text=_("In which times without an offset are read, like `Europe/Berlin`; without one they are refused."),
    )

    time_of_day = TimeOfDay(
        required=False,
        allow_blank=True,
        default="",
        help_text=_(
            "Assumed where a row has a day only, like `12:00`, in `time_zone` or else the workshop's zone when the "
            "import is accepted; each such check carries the finding `time_assumed`. Without it such rows are refused."
        ),
    )
    day_order = Choice(
        list(DAY_ORDERS),
        required=False,
        allow_blank=True,
        default="",
        help_text=_("Of days written like 03/05/2024; without it they are refused."),
    )
    loading = Choice(
        HeightCheck.Loading.values,
        required=False,
        allow_blank=True,
        default="",
        help_text=_("Of all checks, where the file has no column that says it."),
    )
    settings_of = serializers.UUIDField(
        required=False,
        help_text=_(
            "An earlier import of this kind. Its `columns`, `time_zone`, `time_of_day`, `day_order`, `loading` and "
            "`atomic` hold for whichever of these is not sent: for handing in what was put right of it."
        ),
    )


class CancellationInput(RecordSerializer):
    """A cancellation; the id alone, so that asked again it is the same one."""


class RowProblemSerializer(serializers.Serializer[RowProblem]):
    """Why a row was not accepted."""

    line = serializers.IntegerField(help_text=_("Of the file, counted from 1; of a spreadsheet the row."))
    column = serializers.CharField(source="field", help_text=_("Ours; empty where it is about the whole row."))
    code = serializers.CharField(help_text=_("Stable slug to act on."))
    detail = serializers.CharField(help_text=_("The field, the rule and what to do, for people."))


class FailureSerializer(serializers.Serializer[Any]):
    """Why nothing, or nothing more, of a file was carried out."""

    code = serializers.CharField(help_text=_("Stable slug to act on."))
    detail = serializers.CharField(help_text=_("What it is and what to do, for people."))


class ImportSerializer(serializers.Serializer[Import]):
    """An import and how far it is."""

    id = serializers.UUIDField()
    state = serializers.ChoiceField(Import.State.choices)
    phase = serializers.ChoiceField(Import.Phase.choices, help_text=_("`checking` has no effect yet."))
    kind = serializers.ChoiceField(KINDS)
    dry_run = serializers.BooleanField()
    atomic = serializers.BooleanField()
    columns = serializers.DictField(child=serializers.CharField(), help_text=_("Column to the file's heading."))
    time_zone = serializers.CharField()
    assumptions = serializers.DictField(
        child=serializers.CharField(),
        help_text=_(
            "What was said of the file: `time_of_day`, `day_order`, `loading`; and `zone_of_days`, the zone of assumed "
            "times where `time_zone` names none."
        ),
    )
    file_name = serializers.CharField(source="file.name")
    format = serializers.ChoiceField(ImportFile.Format.choices, source="file.format")
    file_sha256 = serializers.CharField()
    lines = serializers.IntegerField(
        source="file.lines", allow_null=True, help_text=_("Of the file; null: not counted yet.")
    )
    rows = serializers.IntegerField(help_text=_("Looked at so far."))
    accepted = serializers.IntegerField(help_text=_("Recorded, or known before; of a dry run what would be."))
    known = serializers.IntegerField(help_text=_("Of the accepted those that were on record before."))
    unjudged = serializers.IntegerField(
        help_text=_("Checks of a day on which no specification was in force: recorded, and judged once one is.")
    )
    rejected = serializers.IntegerField(help_text=_("Rows in which something was wrong."))
    failure = FailureSerializer(allow_null=True)
    started_by = serializers.UUIDField(source="started_by_id")
    created_at = AwareDateTime()
    finished_at = AwareDateTime(allow_null=True)


class ImportDetailSerializer(ImportSerializer):
    """One import with what was wrong with its rows."""

    errors = serializers.SerializerMethodField(  # type: ignore[assignment]  # the name that clients rely on
        help_text=_("The first 1,000; all are in the file of errors.")
    )

    @extend_schema_field(RowProblemSerializer(many=True))
    def get_errors(self, run: Import) -> Any:
        return [RowProblemSerializer(each).data for each in problems_of(run)[:PROBLEMS_SHOWN]]

"""Fields that only the work's resources have: words of a fixed set, references, hashes and stored documents."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, ClassVar, Final, get_args

from django.db.models import Model, QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from drf_spectacular.plumbing import ResolvedComponent
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from calibration.metrology.corners import CORNERS
from calibration.rules.finding_kinds import Severity
from fleet.api.choices import Choice
from fleet.api.fields import CornerMap, SetPoint, TrimmedText, VinField
from fleet.api.inputs import Reference
from fleet.errors import NotFound
from fleet.selectors.vehicles import vehicle_by_vin

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise
    from drf_spectacular.openapi import AutoSchema
    from drf_spectacular.utils import Direction

REASON_LENGTH: Final = 1000
_SHA256: Final = re.compile(r"[0-9a-f]{64}", re.ASCII)


class OneOf(Choice):
    """One word of a fixed set; the refusal lists them. `name` is the set's in the schema."""

    def __init__(self, name: str, words: Iterable[str], **options: Any) -> None:
        self.name = name
        super().__init__(choices=[str(word) for word in words], **options)


def reason_text(**options: Any) -> TrimmedText:
    options.setdefault("help_text", _("Why, for whoever reads the record later."))
    return TrimmedText(max_length=REASON_LENGTH, **options)


def counts(**options: Any) -> CornerMap:
    """A map of set-points; which corners it must have is for the job's specification to say."""
    options.setdefault("help_text", _("Set-points in counts, for each controlled corner and no other."))
    return CornerMap(SetPoint(), complete=False, **options)


def corner(**options: Any) -> OneOf:
    return OneOf("Corner", CORNERS, **options)


def severity(**options: Any) -> OneOf:
    return OneOf("FindingSeverity", get_args(Severity), **options)


class Sha256(serializers.Field[str, Any, str, Any]):
    """A SHA-256 in hexadecimal, as it was shown: the hash of what the person has seen."""

    default_error_messages: ClassVar[dict[str, _StrOrPromise]] = {
        "not_a_hash": _("Must be 64 hexadecimal digits in lower case: the 'content_sha256' that was shown."),
    }

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str) or not _SHA256.fullmatch(data):
            self.fail("not_a_hash")
        return data

    def to_representation(self, value: str) -> str:
        return value


class RecordOf(serializers.PrimaryKeyRelatedField[Any]):
    """The id of a record of the workshop; another workshop's does not exist, nor does one of another version."""

    default_error_messages: ClassVar[dict[str, _StrOrPromise]] = {
        "does_not_exist": _("There is no %(kind)s with this id in your workshop. Take the id from where it is listed."),
    }

    def __init__(self, queryset: QuerySet[Model], kind: _StrOrPromise, **options: Any) -> None:
        self.kind = kind
        super().__init__(queryset=queryset, pk_field=Reference(), **options)

    def to_internal_value(self, data: Any) -> Any:
        try:
            return super().to_internal_value(data)
        except ValidationError as error:
            if error.get_codes() != ["does_not_exist"]:
                raise
            detail = str(self.error_messages["does_not_exist"]) % {"kind": self.kind}
            raise ValidationError([ErrorDetail(detail, "does_not_exist")]) from None


class VehicleByVin(VinField):
    """A vehicle of the workshop, named by its VIN or by one that was corrected."""

    default_error_messages: ClassVar[dict[str, _StrOrPromise]] = {
        "unknown_vehicle": _("There is no vehicle with this VIN in your workshop. Add it first, or correct the VIN."),
    }

    def to_internal_value(self, data: Any) -> Any:
        vin = super().to_internal_value(data)
        try:
            return vehicle_by_vin(self.context["request"].user, vin)
        except NotFound:
            self.fail("unknown_vehicle")


class Document(serializers.Field[Any, Any, Any, Any]):
    """A JSON document that was stored in the interface's own form; `serializer` describes it (each of `many`)."""

    def __init__(
        self, serializer: type[serializers.BaseSerializer[Any]], *, many: bool = False, **options: Any
    ) -> None:
        self.serializer = serializer
        self.many = many
        super().__init__(read_only=True, **options)

    def to_representation(self, value: Any) -> Any:
        return value


class _OneOfSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    """A component of its own: wherever the set is used it has one name."""

    target_class = "calibration.api.fields.OneOf"

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        component = ResolvedComponent(  # type: ignore[no-untyped-call]
            name=self.target.name,
            type=ResolvedComponent.SCHEMA,
            schema={"type": "string", "enum": list(self.target.choices)},
            object=self.target.name,
        )
        auto_schema.registry.register_on_missing(component)
        reference: dict[str, Any] = component.ref
        return reference


class _HashSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    target_class = "calibration.api.fields.Sha256"

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[0-9a-f]{64}$"}


class _VehicleSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    target_class = "calibration.api.fields.VehicleByVin"

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        return {"type": "string", "description": str(_("VIN")), "example": "1M8GDM9AXKP042788"}


class _RecordOfSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    target_class = "calibration.api.fields.RecordOf"

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        return {"type": "string", "format": "uuid"}


class _DocumentSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    target_class = "calibration.api.fields.Document"

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> Any:
        reference = auto_schema.resolve_serializer(self.target.serializer, direction).ref
        return {"type": "array", "items": reference} if self.target.many else reference

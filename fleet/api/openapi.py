"""How OpenAPI learns what each view says about itself: bodies, answers, sentences and examples."""

from __future__ import annotations

from typing import Any

from django.utils import translation
from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import Direction, OpenApiResponse

from .inputs import PASSWORD_LENGTH_MAX, PasswordField, PinField


class EnglishGenerator(SchemaGenerator):
    """The description is one for all programs: English, whatever the browser or the call asks for."""

    def get_schema(self, *args: Any, **kwargs: Any) -> Any:
        with translation.override("en"):
            return super().get_schema(*args, **kwargs)  # type: ignore[no-untyped-call]


class ResourceSchema(AutoSchema):
    """Reads `summaries`, `examples`, `create_serializer_class` and `update_serializer_class` of a view."""

    @property
    def _action(self) -> str:
        return str(getattr(self.view, "action", ""))

    def _of_view(self, attribute: str) -> Any:
        return getattr(self.view, attribute, {}).get(self._action)

    def get_summary(self) -> str | None:
        summary = self._of_view("summaries")
        return str(summary) if summary else super().get_summary()

    def get_description(self) -> str:  # type: ignore[override]
        return str(self._of_view("summaries") or super().get_description())

    def get_examples(self) -> list[Any]:
        return list(self._of_view("examples") or ())

    def get_request_serializer(self) -> Any:
        names = {"create": "create_serializer_class", "partial_update": "update_serializer_class"}
        serializer = getattr(self.view, names.get(self._action, ""), None)
        return serializer or super().get_request_serializer()

    def get_response_serializers(self) -> Any:
        serializer = super().get_response_serializers()
        if self._action != "create":
            return serializer
        return {
            201: OpenApiResponse(serializer, description="Made."),
            200: OpenApiResponse(serializer, description="Made before with this id and content."),
        }


class SecretFieldSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    """Schemas of passwords and PINs."""

    target_class = "rest_framework.fields.Field"
    match_subclasses = True

    @classmethod
    def _matches(cls, target: Any) -> bool:
        return isinstance(target, PasswordField | PinField)

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        if isinstance(self.target, PinField):
            return {"type": "string", "format": "password", "pattern": "^[0-9]{4,8}$"}
        return {"type": "string", "format": "password", "minLength": 1, "maxLength": PASSWORD_LENGTH_MAX}

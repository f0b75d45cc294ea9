"""Names of people beside their ids."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from rest_framework import serializers


class PersonName(serializers.CharField):
    """The name of the person whose id `source` gives; null where the service acted itself."""

    def __init__(self, source: str, **options: Any) -> None:
        super().__init__(source=source, read_only=True, allow_null=True, **options)

    def to_representation(self, value: UUID) -> str:  # type: ignore[override]  # an id comes in, a name goes out
        names: dict[UUID, str] = self.context["view"].people_names
        return names.get(value, "")

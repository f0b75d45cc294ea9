"""Every answer that the tests get is held against what the schema promises for it."""

from __future__ import annotations

import re
from functools import cached_property
from typing import Any, Final

from drf_spectacular.generators import SchemaGenerator
from jsonschema_rs import validator_for

BASE: Final = "/api/v1"


class Contract:
    """The generated schema."""

    @cached_property
    def document(self) -> dict[str, Any]:
        generator: Any = SchemaGenerator()  # type: ignore[no-untyped-call]
        schema: dict[str, Any] = generator.get_schema(public=True)
        return schema

    @cached_property
    def addresses(self) -> list[tuple[re.Pattern[str], str]]:
        return [(re.compile(re.sub(r"\{[^}]+\}", "[^/]+", path)), path) for path in self.document["paths"]]

    def operations(self) -> list[tuple[str, str, dict[str, Any]]]:
        """Method, path and operation of each."""
        return [
            (method, path, operation)
            for path, item in self.document["paths"].items()
            for method, operation in item.items()
            if method in {"get", "post", "put", "patch", "delete"}
        ]

    def check(self, method: str, address: str, response: Any) -> None:
        """Fail unless status, media type and body are documented."""
        path = next(path for pattern, path in self.addresses if pattern.fullmatch(address))
        responses = self.document["paths"][path][method]["responses"]
        assert str(response.status_code) in responses, f"{method} {path} answered {response.status_code}"
        media_type = response["Content-Type"].partition(";")[0]
        content = self._resolved(responses[str(response.status_code)])["content"]
        assert media_type in content, f"{method} {path} answered {media_type}"
        if media_type.endswith("json"):
            self.check_value(content[media_type]["schema"], response.json(), f"{method} {path}")

    def _resolved(self, node: dict[str, Any]) -> dict[str, Any]:
        if "$ref" not in node:
            return node
        found: Any = self.document
        for token in node["$ref"].removeprefix("#/").split("/"):
            found = found[token]
        return dict(found)

    def check_value(self, schema: dict[str, Any], body: Any, call: str) -> None:
        errors = [f"{each.instance_path}: {each.message}" for each in self._validator(schema).iter_errors(body)]
        assert not errors, f"{call}: {errors[:5]}"

    def _validator(self, schema: dict[str, Any]) -> Any:
        key = str(schema)
        if key not in self._validators:
            whole = {**schema, "components": self.document["components"]}
            self._validators[key] = validator_for(whole, validate_formats=True)
        return self._validators[key]

    @cached_property
    def _validators(self) -> dict[str, Any]:
        return {}


CONTRACT: Final = Contract()

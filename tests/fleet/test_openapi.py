"""The interface describes itself completely, without warnings."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema

METHODS = {"get", "post", "put", "patch", "delete"}


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    document: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    return document


def operations(schema: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (path, method, operation)
        for path, item in schema["paths"].items()
        for method, operation in item.items()
        if method in METHODS
    ]


def test_there_are_no_warnings(tmp_path: Any) -> None:
    call_command("spectacular", "--validate", "--fail-on-warn", "--file", str(tmp_path / "schema.yml"))


def test_the_document_is_valid_openapi(schema: dict[str, Any]) -> None:
    assert schema["openapi"].startswith("3.1")
    validate_schema(schema)  # type: ignore[no-untyped-call]


def test_operation_ids_are_unique(schema: dict[str, Any]) -> None:
    ids = Counter(operation["operationId"] for _path, _method, operation in operations(schema))
    assert [name for name, times in ids.items() if times > 1] == []


def test_every_operation_says_what_it_does(schema: dict[str, Any]) -> None:
    silent = [
        (path, method)
        for path, method, operation in operations(schema)
        if not (operation.get("summary") or operation.get("description"))
    ]
    assert silent == []


def test_every_operation_lists_its_problems(schema: dict[str, Any]) -> None:
    for path, method, operation in operations(schema):
        assert {"404", "422", "429", "503"} <= set(operation["responses"]), (path, method)


@pytest.mark.parametrize(
    "path",
    ["tokens", "people", "operators", "bays", "instruments", "vehicle-models", "vehicles"],
)
def test_the_main_calls_show_an_example(schema: dict[str, Any], path: str) -> None:
    content = schema["paths"][f"/api/v1/{path}/"]["post"]["requestBody"]["content"]["application/json"]
    assert content["examples"]


def test_it_is_served(client: Client, db: None) -> None:
    response = client.get("/api/v1/schema/")
    assert response.status_code == 200
    assert b"/api/v1/vehicles/{vin}/fitments/" in response.content
    page = client.get("/api/v1/docs/")
    assert page.status_code == 200
    assert b"://" not in page.content, "the page must not load anything from another host"

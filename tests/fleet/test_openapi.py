"""The interface describes itself completely, without warnings."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema

NAMED_WITH_UNIT = re.compile(r"_(mm|km|kg|counts|kpa|ms|pct|months|deg_c|mm_per_h|mm_per_count)$|^(FL|FR|RL|RR)$")
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


def test_every_text_asked_for_in_a_query_says_how_long_it_may_be(schema: dict[str, Any]) -> None:
    """But for what the service itself handed out, and VINs, whose form is a standard."""
    rules = {"enum", "format", "pattern", "maxLength"}
    unsaid = {
        parameter["name"]
        for _path, _method, operation in operations(schema)
        for parameter in operation.get("parameters", ())
        if parameter["in"] == "query" and parameter["schema"].get("type") == "string"
        if not rules & set(parameter["schema"])
    }
    assert unsaid == {"cursor", "vehicle"}


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


def test_what_holds_for_every_call_is_said_first(schema: dict[str, Any]) -> None:
    text = schema["info"]["description"]
    assert [word for word in ("1980", "2100", "version 7", "If-Match", "Content-Length") if word not in text] == []


def test_whoever_writes_may_say_what_their_clock_says(schema: dict[str, Any]) -> None:
    for path, method, operation in operations(schema):
        names = [each["name"] for each in operation.get("parameters", []) if each["in"] == "header"]
        assert ("Device-Time" in names) == (method != "get" and bool(operation.get("security"))), (method, path)


def test_times_in_bodies_name_the_years_that_are_taken(schema: dict[str, Any]) -> None:
    taken = schema["components"]["schemas"]["NewWriteRequest"]["properties"]["written_at"]
    assert taken["description"].endswith("Years 1980 to 2100.")
    answered = schema["components"]["schemas"]["WriteRecord"]["properties"]["written_at"]
    assert "Years" not in answered.get("description", "")


def test_a_figure_whose_name_does_not_say_its_unit_is_described(schema: dict[str, Any]) -> None:
    missing = [
        (name, member)
        for name, component in schema["components"]["schemas"].items()
        for member, content in component.get("properties", {}).items()
        if is_figure(content) and "description" not in content and not NAMED_WITH_UNIT.search(member)
    ]
    assert missing == []


@pytest.mark.parametrize("name", ["AssessmentDocument", "CornerVerdict", "SideVerdict", "Limit", "Change", "Prior"])
def test_results_are_described_member_by_member(schema: dict[str, Any], name: str) -> None:
    properties = schema["components"]["schemas"][name]["properties"]
    missing = {member for member, content in properties.items() if "description" not in content}
    assert missing <= {"corners", "sides", "modes", "floor", "findings"}, "their own schemas describe these"


def is_figure(content: dict[str, Any]) -> bool:
    kinds = content.get("type", ())
    return bool({"number", "integer"}.intersection([kinds] if isinstance(kinds, str) else kinds))


def test_it_is_served(client: Client, db: None) -> None:
    response = client.get("/api/v1/schema/")
    assert response.status_code == 200
    assert b"/api/v1/vehicles/{vin}/fitments/" in response.content
    page = client.get("/api/v1/docs/")
    assert page.status_code == 200
    assert b"://" not in page.content, "the page must not load anything from another host"

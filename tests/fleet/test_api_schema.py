"""What OpenAPI says about the conventions that every operation shares."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import path
from drf_spectacular.generators import SchemaGenerator
from jsonschema import Draft202012Validator
from rest_framework import generics, serializers

from fleet.api import fields
from fleet.api.authentication import TokenAuthentication
from fleet.api.etags import ETagMixin
from fleet.api.schema import PROBLEM_ERROR_SCHEMA, PROBLEM_SCHEMA, document_conventions


def check_schema(body: Any) -> None:
    document = {**PROBLEM_SCHEMA, "components": {"schemas": {"ProblemError": PROBLEM_ERROR_SCHEMA}}}
    Draft202012Validator(document).validate(body)


class Part(serializers.Serializer[Any]):
    version = serializers.IntegerField(read_only=True)
    heights = fields.CornerMap(fields.HeightMm(), complete=False)
    setpoints = fields.CornerMap(fields.SetPoint())
    taken_at = fields.AwareDateTime()
    note = fields.TrimmedText(max_length=40, allow_blank=True)
    vin = fields.VinField()


class Parts(ETagMixin, generics.RetrieveUpdateAPIView[Any]):
    authentication_classes = (TokenAuthentication,)
    serializer_class = Part
    http_method_names = ("get", "patch")


class NewPart(generics.CreateAPIView[Any]):
    authentication_classes = ()
    serializer_class = Part


@pytest.fixture
def schema() -> dict[str, Any]:
    patterns = [path("parts/<uuid:pk>/", Parts.as_view()), path("parts/", NewPart.as_view())]
    generator = SchemaGenerator(patterns=patterns)  # type: ignore[no-untyped-call]
    generated: dict[str, Any] = generator.get_schema(public=True)  # type: ignore[no-untyped-call]
    return generated


def statuses(operation: dict[str, Any]) -> set[str]:
    return {status for status in operation["responses"] if status >= "400"}


COMMON = {"400", "403", "404", "405", "406", "415", "422", "429", "503"}


def test_every_operation_documents_the_problems_it_can_answer(schema: dict[str, Any]) -> None:
    one = schema["paths"]["/parts/{id}/"]
    assert statuses(one["get"]) >= COMMON
    assert COMMON | {"409", "412", "413", "428"} <= statuses(one["patch"])
    assert COMMON | {"401", "409", "413"} <= statuses(schema["paths"]["/parts/"]["post"])
    assert not {"412", "428"} & statuses(schema["paths"]["/parts/"]["post"])


def test_every_documented_problem_has_a_valid_example(schema: dict[str, Any]) -> None:
    for name, response in schema["components"]["responses"].items():
        content = response["content"]["application/problem+json"]
        check_schema(content["example"])
        assert name == f"Problem{content['example']['status']}"
    for operation in (schema["paths"]["/parts/"]["post"], schema["paths"]["/parts/{id}/"]["patch"]):
        for status in statuses(operation):
            reference = operation["responses"][status]["$ref"].removeprefix("#/components/responses/")
            assert reference in schema["components"]["responses"]


def test_a_change_takes_if_match_and_answers_carry_the_etag(schema: dict[str, Any]) -> None:
    one = schema["paths"]["/parts/{id}/"]
    assert [p["name"] for p in one["patch"]["parameters"] if p["in"] == "header"] == ["Device-Time", "If-Match"]
    assert "ETag" in one["patch"]["responses"]["200"]["headers"]
    assert "ETag" in one["get"]["responses"]["200"]["headers"]
    assert "headers" not in schema["paths"]["/parts/"]["post"]["responses"]["201"]


def test_strict_fields_are_described_as_strictly_as_they_read(schema: dict[str, Any]) -> None:
    described = schema["components"]["schemas"]["Part"]["properties"]
    assert schema["components"]["schemas"]["Part"]["type"] == "object"
    heights, setpoints = described["heights"], described["setpoints"]
    assert (heights["minProperties"], heights["additionalProperties"]) == (1, False)
    assert heights["properties"]["FL"] == {"type": "number", "exclusiveMinimum": 0.0, "maximum": 100000.0}
    assert setpoints["required"] == ["FL", "FR", "RL", "RR"]
    assert setpoints["properties"]["RR"] == {"type": "integer", "minimum": -(2**31), "maximum": 2**31 - 1}
    assert described["taken_at"] == {"type": "string", "format": "date-time"}
    assert described["note"]["maxLength"] == 40


def test_what_a_view_declares_itself_is_kept() -> None:
    declared = {"paths": {"/x/": {"get": {"responses": {"404": {"description": "its own"}}}}}}
    result = document_conventions(declared, None, None, public=True)
    assert result["paths"]["/x/"]["get"]["responses"]["404"] == {"description": "its own"}

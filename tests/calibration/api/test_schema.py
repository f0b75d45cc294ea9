"""What the schema says of the work: every operation explained, named once, with examples that it would accept."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from calibration.api.serializers.jobs import NEXT_STEPS
from calibration.api.serializers.rounds import RIDE_POSITIONS
from calibration.metrology.corners import CORNERS
from calibration.rules.texts import STEPS
from tests.calibration.api.contract import CONTRACT
from tests.calibration.api.test_access import _is_of_calibration

Operations = list[tuple[str, str, dict[str, Any]]]


@pytest.fixture
def operations() -> Operations:
    return [each for each in CONTRACT.operations() if _is_of_calibration(each[1])]


def test_every_operation_has_an_id_of_its_own(operations: Operations) -> None:
    ids = Counter(operation["operationId"] for _method, _path, operation in operations)

    assert len(ids) == len(operations) > 45
    assert set(ids.values()) == {1}


def test_every_operation_says_what_it_is_for_and_how_it_refuses(operations: Operations) -> None:
    for method, path, operation in operations:
        assert operation["summary"], path
        assert {"401", "403", "404", "422"} <= set(operation["responses"]), path
        assert method == "get" or {"200", "409"} <= set(operation["responses"]), path


def test_every_body_has_examples_that_its_schema_accepts(operations: Operations) -> None:
    for path, operation in [(path, operation) for method, path, operation in operations if method == "post"]:
        [(media_type, content)] = operation["requestBody"]["content"].items()
        assert content["examples"], path
        for example in content["examples"].values() if media_type == "application/json" else ():
            CONTRACT.check_value(content["schema"], example["value"], path)


def test_the_words_of_the_interface_are_those_of_the_rules() -> None:
    schemas = CONTRACT.document["components"]["schemas"]

    assert schemas["NextStep"]["enum"] == list(NEXT_STEPS)
    assert set(NEXT_STEPS) == set(STEPS)
    assert schemas["Corner"]["enum"] == list(CORNERS)
    assert schemas["RidePosition"]["enum"] == list(RIDE_POSITIONS)


def test_optional_members_of_a_finding_are_optional_in_the_schema() -> None:
    finding = CONTRACT.document["components"]["schemas"]["StandingFinding"]

    assert {"corner", "ruling"} & set(finding["required"]) == set()
    assert {"id", "code", "severity", "detail", "in_force"} <= set(finding["required"])


def test_a_vehicle_is_asked_for_by_a_text_not_by_an_id() -> None:
    asked = [
        parameter["schema"]
        for _method, _path, operation in CONTRACT.operations()
        for parameter in operation.get("parameters", ())
        if (parameter["in"], parameter["name"]) == ("query", "vehicle")
    ]
    assert len(asked) > 5
    assert [schema for schema in asked if "format" in schema] == []

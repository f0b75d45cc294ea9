"""Nothing that a client sends is passed over: unknown members and parameters are refused, and described as such."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from drf_spectacular.generators import SchemaGenerator

from fleet.api.known_names import no_such_name
from tests.factories import TYRE, Site

API = "/api/v1"


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    document: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    return document


def post(site: Site, path: str, body: dict[str, Any]) -> Any:
    return site.manager.client().post(f"{API}/{path}", body)


def errors(response: Any) -> dict[str, str]:
    assert response.status_code == 422, response.content
    return {error["pointer"]: error["code"] for error in response.json()["errors"]}


# Unknown members


def test_a_misspelt_member_is_refused_with_the_name_that_was_meant(site: Site) -> None:
    response = post(site, "operators/", {"name": "Tarn Lodge", "email": "f@tarn-lodge.example", "adress": "Ford 1"})
    assert errors(response) == {"/adress": "unknown_member"}
    (error,) = response.json()["errors"]
    assert "'adress'" in error["detail"]
    assert "Did you mean 'address'?" in error["detail"]
    assert "Known: id, name, email, address, telephone." in error["detail"]


def test_the_same_body_without_it_is_taken(site: Site) -> None:
    body = {"name": "Tarn Lodge", "email": "f@tarn-lodge.example", "address": "Ford 1"}
    assert post(site, "operators/", body).status_code == 201


def test_an_operator_needs_no_e_mail_address(site: Site) -> None:
    made = post(site, "operators/", {"name": "Tarn Lodge"})
    assert (made.status_code, made.json()["email"]) == (201, "")


def test_a_misspelt_member_deep_inside_is_named_by_its_place(site: Site) -> None:
    tyres = {corner: dict(TYRE) for corner in ("FL", "FR", "RL", "RR")}
    tyres["RL"] = {**TYRE, "presure_kpa": 240}
    vin = site.vehicle().vin
    response = post(site, f"vehicles/{vin}/fitments/", {"fitted_on": "2026-05-04", "tyres": tyres})
    assert errors(response) == {"/tyres/RL/presure_kpa": "unknown_member"}


def test_everything_else_that_is_wrong_is_told_at_the_same_time(site: Site) -> None:
    response = post(site, "operators/", {"nmae": "Tarn Lodge", "email": "f@tarn-lodge.example"})
    assert errors(response) == {"/nmae": "unknown_member", "/name": "required"}


def test_a_change_refuses_what_it_cannot_change(site: Site) -> None:
    client, path = site.manager.client(), f"{API}/operators/{site.operator().pk}/"
    answer = client.patch(path, {"name": "Other", "version": 7}, HTTP_IF_MATCH=client.get(path)["ETag"])
    assert errors(answer) == {"/version": "unknown_member"}
    assert client.get(path).json()["name"] != "Other"


def test_a_body_of_garbage_is_not_answered_at_its_own_length(site: Site) -> None:
    response = post(site, "bays/", {f"{'x' * 500}{number}": 1 for number in range(300)})
    assert len(response.json()["errors"]) == 20 + 3
    assert max(len(error["detail"]) for error in response.json()["errors"]) < 300


def test_where_an_object_is_expected_its_members_are_named(site: Site) -> None:
    vin = site.vehicle().vin
    tyres = dict.fromkeys(("FL", "FR", "RL", "RR"), "255/60R18")
    response = post(site, f"vehicles/{vin}/fitments/", {"fitted_on": "2026-05-04", "tyres": tyres})
    (first, *_others) = response.json()["errors"]
    assert (first["pointer"], first["code"]) == ("/tyres/FL", "not_an_object")
    assert "size, load_index, speed_symbol" in first["detail"]


@pytest.mark.parametrize(
    ("path", "body", "pointer", "told"),
    [
        ("people/", {"roles": ["mechanic"]}, "/roles/0", "manager, technician"),
        ("people/", {"roles": "manager"}, "/roles", "JSON list"),
        ("instruments/", {"kind": "stick"}, "/kind", "tape, rule, laser"),
        ("vehicles/", {"operator": "6ba7b810-9dad-41d1-80b4-00c04fd430c8"}, "/operator", "no record with this id"),
    ],
)
def test_a_refusal_says_what_is_expected_and_not_in_words_of_a_programming_language(
    site: Site, path: str, body: dict[str, Any], pointer: str, told: str
) -> None:
    detail = next(e["detail"] for e in post(site, path, body).json()["errors"] if e["pointer"] == pointer)
    assert told in detail
    for word in ("dictionary", "dict", "str", "NoneType", "int"):
        assert word not in detail.replace("There", "").split(), detail


def test_a_name_is_suggested_only_where_one_is_near() -> None:
    assert no_such_name("hight", ["height", "corner"]) == "There is no 'hight' here. Did you mean 'height'? " + (
        "Known: height, corner."
    )
    assert no_such_name("zzz", ["height", "corner"]) == "There is no 'zzz' here. Known: height, corner."
    assert no_such_name("zzz", []) == "There is no 'zzz' here; nothing is taken. Leave it out."


# Unknown parameters


def test_a_misspelt_filter_does_not_give_everything(site: Site) -> None:
    answer = site.manager.client().get(f"{API}/vehicles/", {"operater": str(site.operator().pk)})
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert (error["parameter"], error["code"]) == ("operater", "unknown_parameter")
    assert "Did you mean 'operator'?" in error["detail"]


def test_a_parameter_beside_a_body_is_refused_too(site: Site) -> None:
    answer = post(site, "bays/?dry_run=1", {})
    assert [(e["pointer"], e["code"]) for e in answer.json()["errors"]] == [("", "unknown_parameter")]


def test_a_filter_of_words_lists_them(site: Site) -> None:
    answer = site.manager.client().get(f"{API}/jobs/", {"state": "begun"})
    assert answer.json()["errors"][0]["detail"].startswith("Must be one of: open, measuring")


def test_every_described_parameter_is_known_and_no_other(site: Site, schema: dict[str, Any]) -> None:
    client = site.manager.client()
    lists = {path: item["get"] for path, item in schema["paths"].items() if "get" in item and "{" not in path}
    lists = {path: operation for path, operation in lists.items() if not path.startswith(f"{API}/tablet/")}
    assert len(lists) > 10
    for path, operation in lists.items():
        names = [each["name"] for each in operation.get("parameters", ()) if each["in"] == "query"]
        answer = client.get(path, dict.fromkeys([*names, "nonsense"], "x"))
        refused = [e["parameter"] for e in answer.json()["errors"] if e["code"] == "unknown_parameter"]
        assert (answer.status_code, refused) == (422, ["nonsense"]), path


# What the description says


def bodies(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every object of every request body, with a name for messages."""
    for path, item in schema["paths"].items():
        for operation in item.values():
            for content in operation.get("requestBody", {}).get("content", {}).values():
                yield from objects(content["schema"], schema, path)


def objects(node: dict[str, Any], schema: dict[str, Any], where: str) -> Iterator[tuple[str, dict[str, Any]]]:
    if "$ref" in node:
        name = node["$ref"].removeprefix("#/components/schemas/")
        node, where = schema["components"]["schemas"][name], f"{where} {name}"
    if node.get("type") == "object":
        yield where, node
    for part in (*node.get("properties", {}).values(), *node.get("allOf", ()), *node.get("oneOf", ())):
        yield from objects(part, schema, where)
    if "items" in node:
        yield from objects(node["items"], schema, where)


def test_no_object_of_a_body_takes_more_than_is_described(schema: dict[str, Any]) -> None:
    found = list(bodies(schema))
    assert len(found) > 60
    assert [where for where, node in found if node.get("additionalProperties") is not False] == []


def test_answers_may_grow(schema: dict[str, Any]) -> None:
    """A client that validates answers must not break when a member is added."""
    assert "additionalProperties" not in schema["components"]["schemas"]["Operator"]


def test_every_member_of_a_body_is_described(schema: dict[str, Any]) -> None:
    corners = {"FL", "FR", "RL", "RR"}
    silent = [
        (where, name)
        for where, node in bodies(schema)
        for name, part in node["properties"].items()
        if not (part.get("description") or name in corners)
    ]
    assert silent == []

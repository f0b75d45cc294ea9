"""Heads and proofs by the interface: who gets them, what they hold, what is refused."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of
from fleet.ids import new_id
from fleet.models import LedgerEntry
from fleet.signed_heads import public_key, verified
from fleet.tenancy import in_workshop
from tests.factories import Person, Site

from .rfc9162 import goes_on, includes
from .signin.test_tablets import tablet_of

CHECKPOINTS, PROOF, CONSISTENCY = (f"/api/v1/ledger/{name}/" for name in ("checkpoints", "proof", "consistency"))


def sign_head(site: Site) -> int:
    with in_workshop(site.workshop.pk):
        head = services.checkpoint_make(actor=Actor.system(site.workshop.pk, timezone.now()))
    assert head is not None
    return head.size


@pytest.fixture
def sizes(site: Site) -> list[int]:
    """Three heads of the workshop's tree."""
    made = [sign_head(site)]
    for _ in range(2):
        site.vehicle()
        made.append(sign_head(site))
    return made


def entry_of(site: Site, **which: Any) -> LedgerEntry:
    with in_workshop(site.workshop.pk):
        return LedgerEntry.objects.filter(**which).latest("id")


def contact_of(site: Site, vehicle: Any) -> Person:
    return site.person("operator_contact", operator=vehicle.operator_id)


def test_heads_are_listed_newest_first_and_each_is_found(site: Site, sizes: list[int]) -> None:
    client = site.manager.client()
    listed = client.get(CHECKPOINTS).json()["results"]
    assert [each["size"] for each in listed] == sizes[::-1]
    assert [client.get(f"{CHECKPOINTS}{each['size']}/").json() for each in listed] == listed
    for each in listed:
        head = verified(each["note"], [public_key(each["verifier_key"])])
        assert (head.size, head.root.hex(), head.origin) == (each["size"], each["root_hash"], each["origin"])
        assert each["origin"] == origin_of(site.workshop.pk)
    pages = client.get(CHECKPOINTS, {"page_size": 2}).json()
    assert [each["size"] for each in client.get(pages["next"]).json()["results"]] == sizes[:1]


def test_a_proof_of_an_entry_holds(site: Site, sizes: list[int]) -> None:
    entry = entry_of(site)
    queries: list[dict[str, Any]] = [{}, {"size": sizes[-1]}]
    for query in queries:
        proof = site.manager.client().get(PROOF, {"entry": str(entry.pk), **query}).json()
        path = [bytes.fromhex(each) for each in proof["path"]]
        head = proof["checkpoint"]
        data, root = bytes.fromhex(proof["entry_hash"]), bytes.fromhex(head["root_hash"])
        assert (proof["entry"], proof["entry_hash"]) == (str(entry.pk), entry.hash)
        assert includes(proof["leaf_index"], head["size"], data, path, root)
        assert not includes(proof["leaf_index"], head["size"], bytes(32), path, root)
    assert proof["checkpoint"]["size"] == sizes[-1]


def test_the_way_from_one_head_to_another_is_proved(site: Site, sizes: list[int]) -> None:
    client = site.manager.client()
    asked: list[tuple[int, int | None]] = [(sizes[0], sizes[1]), (sizes[0], None), (sizes[1], sizes[1])]
    for first, second in asked:
        query: dict[str, Any] = {"first": first} if second is None else {"first": first, "second": second}
        proof = client.get(CONSISTENCY, query).json()
        assert (proof["first"]["size"], proof["second"]["size"]) == (first, second or sizes[-1])
        roots = [bytes.fromhex(proof[name]["root_hash"]) for name in ("first", "second")]
        path = [bytes.fromhex(each) for each in proof["path"]]
        assert goes_on(first, second or sizes[-1], roots[0], roots[1], path)


def test_an_entry_that_no_head_includes_yet_is_told_of(site: Site, sizes: list[int]) -> None:
    site.bay()
    client, new = site.manager.client(), entry_of(site)
    refused = client.get(PROOF, {"entry": str(new.pk)})
    assert (refused.status_code, refused.json()["type"]) == (409, "not_in_tree")
    assert "ask again" in refused.json()["detail"]
    query: dict[str, Any] = {"entry": str(entry_of(site, kind="vehicle_added").pk), "size": sizes[0]}
    older = client.get(PROOF, query)
    assert older.status_code == 409
    sign_head(site)
    assert client.get(PROOF, {"entry": str(new.pk)}).status_code == 200


@pytest.mark.parametrize(
    ("path", "query", "parameter", "code"),
    [
        (PROOF, {}, "entry", "required"),
        (PROOF, {"entry": "7"}, "entry", "invalid"),
        (PROOF, {"entry": "ENTRY", "size": "x"}, "size", "invalid"),
        (PROOF, {"entry": "ENTRY", "size": "99999"}, "size", "no_such_head"),
        (PROOF, {"entry": "ENTRY", "sizes": "1"}, "sizes", "unknown_parameter"),
        (CONSISTENCY, {}, "first", "required"),
        (CONSISTENCY, {"first": "0"}, "first", "invalid"),
        (CONSISTENCY, {"first": "-1"}, "first", "invalid"),
        (CONSISTENCY, {"first": "9" * 40}, "first", "invalid"),
        (CONSISTENCY, {"first": "99999"}, "first", "no_such_head"),
        (CONSISTENCY, {"first": "LAST", "second": "FIRST"}, "second", "smaller_than_first"),
    ],
)
def test_what_was_asked_wrongly_names_the_place(
    site: Site, sizes: list[int], path: str, query: dict[str, str], parameter: str, code: str
) -> None:
    given = {"ENTRY": str(entry_of(site).pk), "FIRST": str(sizes[0]), "LAST": str(sizes[-1])}
    refused = site.manager.client().get(path, {name: given.get(value, value) for name, value in query.items()})
    assert refused.status_code == 422, refused.content
    (error,) = refused.json()["errors"]
    assert (error["parameter"], error["code"]) == (parameter, code)
    assert error["detail"]


def test_heads_of_no_such_size_are_not_found(site: Site, sizes: list[int]) -> None:
    for size in ("0", "99999", "9" * 30, "x"):
        assert site.manager.client().get(f"{CHECKPOINTS}{size}/").status_code == 404


@pytest.mark.parametrize("role", ["manager", "technician", "auditor"])
def test_people_of_the_workshop_read_everything(site: Site, sizes: list[int], role: str) -> None:
    client = site.person(role).client()
    head = sign_head(site)
    assert client.get(CHECKPOINTS).status_code == client.get(f"{CHECKPOINTS}{head}/").status_code == 200
    assert client.get(PROOF, {"entry": str(entry_of(site).pk)}).status_code == 200
    assert client.get(CONSISTENCY, {"first": sizes[0]}).status_code == 200


def test_a_contact_has_heads_and_proofs_of_their_own_vehicles_entries(site: Site) -> None:
    own, foreign = site.vehicle(), site.vehicle()
    contact = contact_of(site, own).client()
    sign_head(site)
    assert contact.get(CHECKPOINTS).status_code == 200
    assert contact.get(PROOF, {"entry": str(entry_of(site, book=own.pk).pk)}).status_code == 200
    for hidden in (entry_of(site, book=foreign.pk), entry_of(site, book=site.workshop.pk)):
        refused = contact.get(PROOF, {"entry": str(hidden.pk)})
        assert (refused.status_code, refused.json()["type"]) == (404, "not_found")


def test_an_integrator_needs_the_scope_to_read(site: Site, sizes: list[int]) -> None:
    reading = site.person("integrator", scopes=["read"]).client()
    writing = site.person("integrator", scopes=["facts:write"]).client()
    assert reading.get(CHECKPOINTS).status_code == 200
    assert writing.get(CHECKPOINTS).status_code == 403


def test_without_a_token_nothing_is_told(site: Site, sizes: list[int]) -> None:
    for path in (CHECKPOINTS, f"{CHECKPOINTS}{sizes[0]}/", PROOF, CONSISTENCY):
        assert APIClient().get(path).status_code == 401


def test_another_workshop_sees_nothing(site: Site, other_site: Site, sizes: list[int]) -> None:
    stranger = other_site.manager.client()
    assert stranger.get(CHECKPOINTS).json()["results"] == []
    assert stranger.get(f"{CHECKPOINTS}{sizes[0]}/").status_code == 404
    assert stranger.get(PROOF, {"entry": str(entry_of(site).pk)}).status_code == 404
    assert stranger.get(CONSISTENCY, {"first": sizes[0]}).status_code == 422
    assert stranger.get(PROOF, {"entry": str(new_id())}).status_code == 404


def test_a_tablet_is_handed_the_newest_head(site: Site) -> None:
    tablet, _id = tablet_of(site)
    assert tablet.get("/api/v1/tablet/").json()["checkpoint"] is None
    size = sign_head(site)
    handed = tablet.get("/api/v1/tablet/").json()["checkpoint"]
    assert handed == site.manager.client().get(f"{CHECKPOINTS}{size}/").json()

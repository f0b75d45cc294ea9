"""Heads that tablets hold, against records that somebody rewrote with every right on the database."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone
from rest_framework.test import APIClient

from deploy import database
from deploy.embedded.folder import data_folder
from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of, signing_key
from fleet.models import Checkpoint, HeadConflict, LedgerEntry
from fleet.signed_heads import Head, signed
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site

from .signin.test_tablets import tablet_of

HEADS, CONFLICTS = "/api/v1/tablet/heads/", "/api/v1/head-conflicts/"


@pytest.fixture
def site(committed_db: None) -> Site:
    """On real commits: somebody else changes what is there."""
    site = make_site()
    site.vehicle()
    return site


@pytest.fixture
def tablet(site: Site) -> APIClient:
    return tablet_of(site)[0]


@pytest.fixture
def superuser(site: Site) -> Iterator[psycopg.Connection]:
    parameters: dict[str, Any] = database.connection_parameters("admin", data_folder())
    parameters["dbname"] = connection.settings_dict["NAME"]
    with psycopg.connect(**parameters, autocommit=True) as session:
        session.execute("SET session_replication_role = replica")
        yield session


def head_of(site: Site) -> Checkpoint:
    with in_workshop(site.workshop.pk):
        head = services.checkpoint_make(actor=Actor.system(site.workshop.pk, timezone.now()))
    assert head is not None
    return head


def offered(tablet: APIClient, *notes: str) -> Any:
    return tablet.post(HEADS, {"heads": list(notes)})


def conflicts(site: Site) -> list[Any]:
    found: list[Any] = site.manager.client().get(CONFLICTS).json()["results"]
    return found


def forget_the_tree(site: Site, superuser: psycopg.Connection) -> None:
    superuser.execute("DELETE FROM fleet_checkpoint WHERE workshop_id = %s", [site.workshop.pk])
    superuser.execute("DELETE FROM fleet_ledgerleaf WHERE workshop_id = %s", [site.workshop.pk])


def test_a_tablet_gets_the_newest_head_and_later_ones_go_with_it(site: Site, tablet: APIClient) -> None:
    first = head_of(site)
    body = offered(tablet).json()
    assert (body["outcomes"], body["checkpoint"]["note"]) == ([], first.note)
    site.vehicle()
    second = head_of(site)
    body = offered(tablet, first.note).json()
    assert (body["outcomes"], body["checkpoint"]["size"]) == (["consistent"], second.size)
    assert conflicts(site) == []


def test_records_rewritten_together_with_the_whole_tree_are_found_by_the_head_kept(
    site: Site, tablet: APIClient, superuser: psycopg.Connection, caplog: pytest.LogCaptureFixture
) -> None:
    """Chains, leaves, nodes and heads are made anew and signed with the installation's key: all is whole in itself."""
    kept = head_of(site)
    forget_the_tree(site, superuser)
    with in_workshop(site.workshop.pk):
        last = LedgerEntry.objects.filter(book=site.workshop.pk).order_by("-sequence").first()
    assert last is not None
    superuser.execute(
        "UPDATE fleet_ledgerentry SET hash = %s WHERE id = %s", [f"{int(last.hash, 16) ^ 1:064x}", last.pk]
    )
    assert head_of(site).size == kept.size
    with caplog.at_level(logging.ERROR, "fleet"):
        assert offered(tablet, kept.note).json()["outcomes"] == ["rewritten"]
    assert "rewritten" in caplog.text
    [found] = conflicts(site)
    assert (found["kind"], found["size"], found["note"]) == ("rewritten", kept.size, kept.note)
    assert offered(tablet, kept.note).json()["outcomes"] == ["rewritten"], "said each time, and kept once"
    assert len(conflicts(site)) == 1
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="head_conflict_found").count() == 1


def test_a_tree_that_lost_its_newest_entries_is_found(
    site: Site, tablet: APIClient, superuser: psycopg.Connection
) -> None:
    """As after an older backup was restored."""
    kept = head_of(site)
    superuser.execute(
        "DELETE FROM fleet_ledgerleaf WHERE workshop_id = %s AND leaf_index = %s", [site.workshop.pk, kept.size - 1]
    )
    assert offered(tablet, kept.note).json()["outcomes"] == ["shorter"]
    [found] = conflicts(site)
    assert (found["kind"], found["tree_size"]) == ("shorter", kept.size - 1)


def test_a_head_that_no_known_key_signed_is_found(site: Site, tablet: APIClient, settings: Any) -> None:
    kept = head_of(site)
    settings.CHECKPOINT_KEY = "another one, and the old one is not named"
    assert offered(tablet, kept.note).json()["outcomes"] == ["unknown_key"]
    assert [each["kind"] for each in conflicts(site)] == ["unknown_key"]


def test_what_is_no_head_of_this_workshop_is_refused_by_its_place(site: Site, tablet: APIClient) -> None:
    good = head_of(site).note
    other = signed(Head(origin_of(make_site().workshop.pk), 3, b"r" * 32, timezone.now(), 0), signing_key())
    large = signed(
        Head(origin_of(site.workshop.pk), 10**18 * 9 + 9 * 10**17, b"r" * 32, timezone.now(), 0), signing_key()
    )
    for bad, code in (
        ("x", "no_head"),
        (good + "x", "no_head"),
        ("", "blank"),
        (other, "other_tree"),
        (large, "other_tree"),
    ):
        answer = offered(tablet, good, bad)
        assert answer.status_code == 422, (bad, answer.content)
        [error] = answer.json()["errors"]
        assert (error["pointer"], error["code"]) == ("/heads/1", code)
    assert offered(tablet, *[good] * 9).status_code == 422
    assert conflicts(site) == []


def test_only_a_tablet_offers_heads(site: Site) -> None:
    assert offered(site.manager.client()).status_code == 403
    assert offered(APIClient()).status_code == 401


class TestAcknowledging:
    @pytest.fixture
    def conflict(self, site: Site, tablet: APIClient, settings: Any) -> str:
        note = head_of(site).note
        usual, settings.CHECKPOINT_KEY = settings.CHECKPOINT_KEY, "another"
        offered(tablet, note)
        settings.CHECKPOINT_KEY = usual
        return str(conflicts(site)[0]["id"])

    def test_a_manager_says_what_explains_it_and_it_stays(self, site: Site, conflict: str) -> None:
        path = f"{CONFLICTS}{conflict}/acknowledgement/"
        assert site.technician.client().post(path, {"explanation": "x"}).status_code == 403
        assert site.manager.client().post(path, {"explanation": " "}).status_code == 422
        answer = site.manager.client().post(path, {"explanation": "The key was changed."})
        assert answer.status_code == 200, answer.content
        assert answer.json()["explanation"] == "The key was changed."
        assert answer.json()["acknowledged_by"] == str(site.manager.membership.pk)
        assert site.manager.client().post(path, {"explanation": "Again."}).status_code == 409
        assert site.manager.client().get(f"{CONFLICTS}{conflict}/").json()["explanation"] == "The key was changed."
        with in_workshop(site.workshop.pk):
            assert LedgerEntry.objects.filter(kind="head_conflict_acknowledged").count() == 1

    def test_others_do_not_see_it(self, site: Site, conflict: str) -> None:
        assert site.technician.client().get(CONFLICTS).status_code == 403
        assert make_site().manager.client().get(f"{CONFLICTS}{conflict}/").status_code == 404

    def test_the_database_keeps_one_of_a_head_and_no_half_explanation(self, site: Site, conflict: str) -> None:
        with in_workshop(site.workshop.pk):
            known = HeadConflict.objects.get(pk=conflict)
            fields = {"tablet": known.tablet, "kind": known.kind, "note": "n", "size": 1, "tree_size": 1}
            for more in ({"note_sha256": known.note_sha256}, {"note_sha256": "0" * 64, "explanation": "by nobody"}):
                with pytest.raises(IntegrityError, match="fleet_headconflict"), transaction.atomic():
                    HeadConflict.objects.create(found_at=timezone.now(), **fields, **more)

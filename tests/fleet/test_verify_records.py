"""`manage.py verify_records`: what it says of good records and of bad ones, and with what it ends."""

from __future__ import annotations

import os
import subprocess
import sys
import uuid
from collections.abc import Iterator
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone
from psycopg.types.json import Jsonb

from deploy import database
from deploy.embedded.folder import CHECKOUT, data_folder
from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of, signing_key
from fleet.ledger import entry_hash
from fleet.models import Checkpoint, LedgerEntry
from fleet.signed_heads import Head, signed, verifier_key
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site


@pytest.fixture
def site(committed_db: None) -> Site:
    """On real commits: the command has a transaction of its own."""
    site = make_site()
    site.fitment(site.vehicle())
    head_of(site)
    return site


def head_of(site: Site) -> Checkpoint:
    with in_workshop(site.workshop.pk):
        head = services.checkpoint_make(actor=Actor.system(site.workshop.pk, timezone.now()))
    assert head is not None
    return head


def verify(site: Site, *options: str) -> str:
    out = StringIO()
    call_command("verify_records", "--workshop", str(site.workshop.pk), *options, stdout=out)
    return out.getvalue()


@pytest.fixture
def superuser(site: Site) -> Iterator[psycopg.Connection]:
    parameters: dict[str, Any] = database.connection_parameters("admin", data_folder())
    parameters["dbname"] = connection.settings_dict["NAME"]
    with psycopg.connect(**parameters, autocommit=True) as session:
        session.execute("SET session_replication_role = replica")
        yield session


def test_good_records_are_counted(site: Site) -> None:
    said = verify(site)
    with in_workshop(site.workshop.pk):
        entries = LedgerEntry.objects.count()
    assert said.startswith(f"workshop {site.workshop.pk}: good. {entries} ledger entries in 2 books, {entries} of them")
    assert "1 checkpoints and 0 from outside" in said


def test_entries_that_wait_for_their_head_are_no_fault(site: Site) -> None:
    site.bay()
    assert "good." in verify(site)


def test_a_zero_with_a_sign_is_recorded_as_the_database_keeps_it(site: Site) -> None:
    site.fitment(site.vehicle(), odometer_km=Decimal("-0.0"))
    assert "good." in verify(site)


def test_a_bad_record_is_named_and_the_command_fails(site: Site, superuser: psycopg.Connection) -> None:
    bay = site.bay()
    superuser.execute("UPDATE fleet_bay SET name = 'Bay X' WHERE id = %s", [bay.pk])
    out = StringIO()
    with pytest.raises(CommandError, match="1 of 1 workshops"):
        call_command("verify_records", "--workshop", str(site.workshop.pk), stdout=out)
    assert f"BAD RECORD: fleet.bay {bay.pk}: it differs from ledger entry" in out.getvalue()
    assert out.getvalue().rstrip().endswith("in name")


def test_an_entry_whose_payload_has_no_form_is_named(site: Site, superuser: psycopg.Connection) -> None:
    """Rewritten so that chain and hash are right: reading it must not fail."""
    with in_workshop(site.workshop.pk):
        entry = LedgerEntry.objects.filter(book=site.workshop.pk).latest("sequence")
    payloads: list[Any] = [{}, [], {"rows": []}, {"rows": {"fleet.bay": [1]}}, {"rows": {"fleet.bay": [{}]}}]
    for payload in payloads:
        entry.payload = payload
        superuser.execute(
            "UPDATE fleet_ledgerentry SET payload = %s, hash = %s WHERE id = %s",
            [Jsonb(payload), entry_hash(entry), entry.pk],
        )
        out = StringIO()
        with pytest.raises(CommandError):
            call_command("verify_records", "--workshop", str(site.workshop.pk), stdout=out)
        assert str(entry.pk) in out.getvalue()
        assert "has not the form" in out.getvalue()


def test_a_head_kept_outside_is_held_against_the_tree(site: Site, tmp_path: Path) -> None:
    kept = tmp_path / "head.txt"
    kept.write_text(head_of(site).note, encoding="utf-8")
    site.bay()
    head_of(site)
    assert "1 from outside" in verify(site, "--head", str(kept))


def test_a_head_of_another_history_tells_that_it_was_rewritten(site: Site, tmp_path: Path) -> None:
    kept, size = tmp_path / "head.txt", head_of(site).size
    other = Head(origin_of(site.workshop.pk), size, bytes(32), timezone.now(), 0)
    kept.write_text(signed(other, signing_key()), encoding="utf-8")
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("verify_records", "--workshop", str(site.workshop.pk), "--head", str(kept), stdout=out)
    assert f"checkpoint of {size} leaves from outside: the tree has another root" in out.getvalue()


@pytest.mark.parametrize("text", ["", "nothing", "a\n1\nAA==\n\nb\n"])
def test_what_is_no_head_is_refused(site: Site, tmp_path: Path, text: str) -> None:
    kept = tmp_path / "head.txt"
    kept.write_text(text)
    with pytest.raises(CommandError, match="is no head of this installation"):
        verify(site, "--head", str(kept))
    with pytest.raises(CommandError, match="cannot be read"):
        verify(site, "--head", str(tmp_path / "missing"))


def test_a_head_of_a_workshop_that_is_not_looked_at_is_refused(site: Site, tmp_path: Path) -> None:
    kept = tmp_path / "head.txt"
    kept.write_text(signed(Head(origin_of(uuid.uuid4()), 1, bytes(32), timezone.now(), 0), signing_key()))
    with pytest.raises(CommandError, match="is not looked at"):
        verify(site, "--head", str(kept))


def test_an_unknown_workshop_is_told_of(committed_db: None) -> None:
    with pytest.raises(CommandError, match="There is no workshop"):
        call_command("verify_records", "--workshop", str(uuid.uuid4()))


def test_heads_signed_with_a_key_of_before_need_its_public_key(site: Site, settings: Any) -> None:
    before = verifier_key(origin_of(site.workshop.pk), signing_key().public_key())
    settings.CHECKPOINT_KEY = "another secret of this installation"
    with pytest.raises(CommandError):
        verify(site)
    settings.FORMER_CHECKPOINT_KEYS = [before]
    assert "good." in verify(site)
    site.bay()
    head_of(site)
    assert "2 checkpoints" in verify(site)


def test_the_owner_of_the_database_verifies_every_workshop(
    site: Site, superuser: psycopg.Connection, database_environment: dict[str, str]
) -> None:
    """In a process of its own, as a deployer runs it. Other tests' workshops are looked at as well."""
    superuser.execute("UPDATE fleet_bay SET name = 'Bay X' WHERE id = %s", [site.bay().pk])
    inherited = {key: value for key, value in os.environ.items() if key != "LEVELBOOK_DATABASE_ROLE"}
    ended = subprocess.run(
        [sys.executable, str(CHECKOUT / "manage.py"), "verify_records"],
        env=inherited | database_environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 1, ended.stderr
    assert f"workshop {site.workshop.pk}: BAD RECORD: fleet.bay" in ended.stdout
    assert "have records that are not what they were" in ended.stderr

"""Backup and restore: everything of every workshop, checked before it takes the place of what is there."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.utils import timezone
from psycopg import sql
from psycopg.conninfo import make_conninfo
from pytest_django import DjangoDbBlocker

from deploy import database
from deploy.backup.making import DUMP, FORMAT, MANIFEST, BackupError, Manifest, unknown_migrations
from deploy.embedded.folder import CHECKOUT, data_folder
from fleet import outbox, services
from fleet.actor import Actor
from fleet.checkpoint_keys import signing_key
from fleet.signed_heads import verifier_key
from fleet.tenancy import in_workshop
from tests.database import connected_to, copied_database, database_environment
from tests.factories import make_site

PATIENCE = 120


@dataclass(frozen=True)
class Original:
    """A database with two workshops in it, its files and their backup."""

    name: str
    files: Path
    backup: Path


@pytest.fixture(scope="module")
def original(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Original]:
    """Made once; tests work on copies of it."""
    folder = tmp_path_factory.mktemp("original")
    photos = folder / "files" / "photos" / "01"
    photos.mkdir(parents=True)
    (photos / "tape.jpg").write_bytes(b"\xff\xd8 a tape")
    with copied_database(data_folder(), "original") as name:
        with django_db_blocker.unblock(), connected_to(name), pytest.MonkeyPatch.context() as patch:
            patch.setattr(outbox, "hint", lambda _workshop, _item: None)
            for _ in range(2):
                site = make_site()
                site.vehicle()
                with in_workshop(site.workshop.pk):
                    services.checkpoint_make(actor=Actor.system(site.workshop.pk, timezone.now()))
        done(environment_of(name, folder / "files"), "backup", folder / "monday")
        yield Original(name, folder / "files", folder / "monday")


@pytest.fixture
def name(original: Original) -> Iterator[str]:
    """A database of this test's own."""
    with copied_database(data_folder(), "backup", of=original.name) as own:
        yield own


@pytest.fixture
def files(original: Original, tmp_path: Path) -> Path:
    return shutil.copytree(original.files, tmp_path / "files")


@pytest.fixture
def environment(name: str, files: Path) -> dict[str, str]:
    return environment_of(name, files)


def environment_of(name: str, files: Path) -> dict[str, str]:
    administrator = make_conninfo(**parameters("admin", name))
    inherited = {key: value for key, value in os.environ.items() if key != "LEVELBOOK_DATABASE_ROLE"}
    return {
        **inherited,
        **database_environment(data_folder(), name),
        database.URL_VARIABLES["admin"]: administrator,
        "FILES_URL": str(files),
    }


def parameters(role: database.Role, name: str) -> dict[str, Any]:
    return database.connection_parameters(role, data_folder()) | {"dbname": name}


def manage(environment: dict[str, str], *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(CHECKOUT / "manage.py"), *map(str, arguments)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=PATIENCE, check=False)


def done(environment: dict[str, str], *arguments: object) -> str:
    ended = manage(environment, *arguments)
    assert ended.returncode == 0, ended.stderr
    return ended.stdout


def refused(environment: dict[str, str], *arguments: object) -> str:
    ended = manage(environment, *arguments)
    assert ended.returncode != 0
    assert "Traceback" not in ended.stderr
    return ended.stderr


def contents(name: str) -> dict[str, list[Any]]:
    """Every row of every table but the installation's, whatever workshop it belongs to."""
    with psycopg.connect(**parameters("admin", name)) as server:
        tables = server.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY 1")
        found = {}
        for (table,) in tables.fetchall():
            if table not in {"fleet_installation", "django_migrations"}:
                rows = sql.SQL("SELECT to_jsonb(t)::text FROM {} t ORDER BY 1").format(sql.Identifier(table))
                found[table] = server.execute(rows).fetchall()
        return found


def epoch(name: str) -> Any:
    return one(name, "SELECT epoch FROM fleet_installation")


def one(name: str, query: str, role: database.Role = "admin") -> Any:
    with psycopg.connect(**parameters(role, name)) as server:
        row = server.execute(query).fetchone()
        assert row is not None
        return row[0]


def change(name: str, statement: str) -> None:
    with psycopg.connect(**parameters("admin", name), autocommit=True) as server:
        server.execute("SET session_replication_role = replica")  # as someone with every right could
        server.execute(statement)


@pytest.fixture
def backup(original: Original, tmp_path: Path) -> Path:
    """A copy of it, which a test may alter."""
    (tmp_path / "kept").mkdir()
    return shutil.copytree(original.backup, tmp_path / "kept" / "monday")


def test_backup_is_for_its_owner_only(original: Original) -> None:
    assert original.backup.stat().st_mode & 0o077 == 0


def test_restored_is_what_was_backed_up_under_a_new_epoch_and_guarded_as_before(
    environment: dict[str, str], name: str, files: Path, backup: Path
) -> None:
    kept, first_epoch = contents(name), epoch(name)
    assert len(kept["fleet_workshop"]) == 2, "row-level security must not hide a workshop from the backup"
    assert len(kept["fleet_ledgerentry"]) > 10
    change(name, "DELETE FROM fleet_vehicle")
    (files / "photos" / "01" / "tape.jpg").write_bytes(b"spoiled")
    (files / "photos" / "02.jpg").write_bytes(b"of the database that is replaced")
    assert contents(name) != kept

    with psycopg.connect(**parameters("app", name)) as still_there:
        said = done(environment, "restore", backup, "--replace")
        assert said.count(": good. ") == 2, "both workshops are verified, and it is said"
        with pytest.raises(psycopg.OperationalError):
            still_there.execute("SELECT 1")

    assert contents(name) == kept
    assert epoch(name) != first_epoch
    assert [path for path in files.rglob("*") if path.is_file()] == [files / "photos" / "01" / "tape.jpg"]
    assert (files / "photos" / "01" / "tape.jpg").read_bytes() == b"\xff\xd8 a tape"
    assert_guarded(name)


def assert_guarded(name: str) -> None:
    """The rules of the database came back with its rows."""
    assert one(name, "SELECT count(*) FROM fleet_workshop", role="app") == 0, "no workshop, no rows"
    forced = (
        "SELECT bool_and(relforcerowsecurity) FROM pg_class WHERE relname IN ('fleet_vehicle', 'reports_certificate')"
    )
    assert one(name, forced)
    with psycopg.connect(**parameters("owner", name)) as owner, pytest.raises(psycopg.Error, match="append-only"):
        owner.execute("TRUNCATE fleet_ledgerentry CASCADE")
    with psycopg.connect(**parameters("app", name)) as app, pytest.raises(psycopg.Error, match="permission denied"):
        app.execute("CREATE TEMPORARY TABLE shadow (id int)")


def test_database_that_holds_workshops_is_not_replaced_unasked(
    environment: dict[str, str], name: str, backup: Path
) -> None:
    before, epoch_before = contents(name), epoch(name)
    assert "--replace" in refused(environment, "restore", backup)
    assert (contents(name), epoch(name)) == (before, epoch_before)


def test_empty_installation_takes_a_backup_without_being_asked_to_replace(
    environment: dict[str, str], name: str, backup: Path, tmp_path: Path
) -> None:
    kept = contents(name)
    with copied_database(data_folder(), "fresh") as fresh:
        urls = {
            **database_environment(data_folder(), fresh),
            database.URL_VARIABLES["admin"]: make_conninfo(**parameters("admin", fresh)),
        }
        done(environment | urls | {"FILES_URL": str(tmp_path / "elsewhere")}, "restore", backup)
        assert contents(fresh) == kept
    assert (tmp_path / "elsewhere" / "photos" / "01" / "tape.jpg").exists()


def test_altered_backup_is_refused_and_nothing_changes(environment: dict[str, str], name: str, backup: Path) -> None:
    before, epoch_before = contents(name), epoch(name)
    photo = backup / "files" / "photos" / "01" / "tape.jpg"
    photo.write_bytes(photo.read_bytes() + b"!")
    assert "tape.jpg is not as it was" in refused(environment, "restore", backup, "--replace")
    assert (contents(name), epoch(name)) == (before, epoch_before)


def test_backup_with_a_broken_ledger_is_refused_and_nothing_changes(
    environment: dict[str, str], name: str, tmp_path: Path
) -> None:
    change(
        name,
        "UPDATE fleet_ledgerentry SET kind = 'nothing_happened' WHERE sequence = 2 AND book IN "
        "(SELECT book FROM fleet_ledgerentry WHERE sequence = 2 LIMIT 1)",
    )
    done(environment, "backup", tmp_path / "broken")
    before, epoch_before = contents(name), epoch(name)
    assert "entry 2" in refused(environment, "restore", tmp_path / "broken", "--replace")
    assert (contents(name), epoch(name)) == (before, epoch_before)
    with psycopg.connect(**parameters("admin", name)) as server:
        left = server.execute("SELECT datname FROM pg_database WHERE starts_with(datname, %s)", [f"{name}_re"])
        assert left.fetchall() == [], "no half-restored database is left behind"


@pytest.mark.parametrize(
    ("alteration", "named"),
    [
        ("UPDATE fleet_vehicle SET registration = 'ALTERED'", "fleet.vehicle "),
        ("DELETE FROM fleet_checkpoint", "checkpoint of "),
    ],
)
def test_backup_with_whole_chains_but_other_records_is_refused(
    environment: dict[str, str], name: str, tmp_path: Path, alteration: str, named: str
) -> None:
    change(name, alteration)
    done(environment, "backup", tmp_path / "altered")
    before, epoch_before = contents(name), epoch(name)
    said = refused(environment, "restore", tmp_path / "altered", "--replace")
    assert said.count("BAD RECORD") == 2, "one of each workshop"
    assert named in said
    assert (contents(name), epoch(name)) == (before, epoch_before)


def test_backup_of_another_installation_needs_its_public_key(
    environment: dict[str, str], name: str, tmp_path: Path
) -> None:
    done(environment, "backup", tmp_path / "moved")
    elsewhere = environment | {"CHECKPOINT_KEY": "of another machine"}
    said = refused(elsewhere, "restore", tmp_path / "moved", "--replace")
    assert "FORMER_CHECKPOINT_KEYS" in said
    known = verifier_key("levelbook/workshops/any", signing_key().public_key())
    done(elsewhere | {"FORMER_CHECKPOINT_KEYS": known}, "restore", tmp_path / "moved", "--replace")


def test_backup_whose_signing_key_is_lost_is_restored_when_that_is_accepted(
    environment: dict[str, str], name: str, tmp_path: Path
) -> None:
    done(environment, "backup", tmp_path / "lost")
    elsewhere = environment | {"CHECKPOINT_KEY": "of another machine"}
    assert "--accept-new-signing-key" in refused(elsewhere, "restore", tmp_path / "lost", "--replace")
    said = done(elsewhere, "restore", tmp_path / "lost", "--replace", "--accept-new-signing-key")
    assert said.count("signed by a key that is lost") == 2, "of each workshop"
    assert one(name, "SELECT count(*) FROM fleet_ledgerentry WHERE kind = 'new_signing_key_accepted'") == 2
    assert done(elsewhere, "verify_records").count("good.") == 2
    done(elsewhere, "backup", tmp_path / "after")
    done(elsewhere, "restore", tmp_path / "after", "--replace")


def test_accepting_a_new_key_accepts_nothing_else(environment: dict[str, str], name: str, tmp_path: Path) -> None:
    change(name, "UPDATE fleet_vehicle SET registration = 'ALTERED'")
    done(environment, "backup", tmp_path / "altered")
    before, epoch_before = contents(name), epoch(name)
    elsewhere = environment | {"CHECKPOINT_KEY": "of another machine"}
    said = refused(elsewhere, "restore", tmp_path / "altered", "--replace", "--accept-new-signing-key")
    assert said.count("BAD RECORD") == 2
    assert "fleet.vehicle " in said
    assert (contents(name), epoch(name)) == (before, epoch_before)


def test_backup_of_a_newer_version_is_refused(environment: dict[str, str], name: str, backup: Path) -> None:
    manifest = json.loads((backup / MANIFEST).read_text())
    manifest["migrations"]["fleet"].append("0999_of_a_newer_version")
    (backup / MANIFEST).write_text(json.dumps(manifest))
    assert "fleet.0999_of_a_newer_version" in refused(environment, "restore", backup, "--replace")


def test_older_backup_is_migrated(environment: dict[str, str], name: str, tmp_path: Path) -> None:
    """The tables of sessions stand for a migration that the older version did not have."""
    change(name, "DELETE FROM django_migrations WHERE app = 'sessions'")
    change(name, "DROP TABLE django_session")
    done(environment, "backup", tmp_path / "older")
    assert "sessions" not in json.loads((tmp_path / "older" / MANIFEST).read_text())["migrations"]
    done(environment, "restore", tmp_path / "older", "--replace")
    assert one(name, "SELECT count(*) FROM django_session") == 0
    assert one(name, "SELECT count(*) FROM django_session", role="app") == 0


def test_backup_does_not_overwrite_a_folder(environment: dict[str, str], backup: Path) -> None:
    assert "exists already" in refused(environment, "backup", backup)


def test_migrations_that_this_version_lacks_are_named() -> None:
    known = {("fleet", "0001_initial")}
    assert unknown_migrations({"fleet": ["0001_initial"]}, known) == []
    assert unknown_migrations({"fleet": ["0002_more"], "new": ["0001_initial"]}, known) == [
        "fleet.0002_more",
        "new.0001_initial",
    ]


class TestManifest:
    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        """A small backup, complete in itself."""
        (tmp_path / "files").mkdir()
        sha256 = {}
        for name in (DUMP, "files/tape.jpg"):
            (tmp_path / name).write_bytes(name.encode())
            sha256[name] = hashlib.sha256(name.encode()).hexdigest()
        manifest = Manifest(FORMAT, "2026-10-05T04:00:00+00:00", 180000, {"fleet": []}, sha256)
        (tmp_path / MANIFEST).write_text(json.dumps(asdict(manifest)))
        return tmp_path

    def test_of_a_whole_backup_is_read(self, folder: Path) -> None:
        assert Manifest.read(folder).sha256.keys() == {DUMP, "files/tape.jpg"}

    @pytest.mark.parametrize("content", [None, "{}", "no JSON", '{"format": 1}', "[]"])
    def test_folder_that_is_no_backup_is_refused(self, folder: Path, content: str | None) -> None:
        (folder / MANIFEST).unlink()
        if content is not None:
            (folder / MANIFEST).write_text(content)
        with pytest.raises(BackupError, match="holds no whole backup"):
            Manifest.read(folder)

    def test_another_format_is_refused(self, folder: Path) -> None:
        manifest = json.loads((folder / MANIFEST).read_text())
        (folder / MANIFEST).write_text(json.dumps(manifest | {"format": FORMAT + 1}))
        with pytest.raises(BackupError, match="has format 2"):
            Manifest.read(folder)

    @pytest.mark.parametrize("name", [DUMP, "files/tape.jpg"])
    def test_file_that_is_missing_is_named(self, folder: Path, name: str) -> None:
        (folder / name).unlink()
        with pytest.raises(BackupError, match=f"{name} is not as it was"):
            Manifest.read(folder)

    def test_file_that_came_later_is_named(self, folder: Path) -> None:
        (folder / "files" / "more.jpg").touch()
        with pytest.raises(BackupError, match=r"more.jpg is not as it was"):
            Manifest.read(folder)

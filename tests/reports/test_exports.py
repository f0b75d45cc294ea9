"""Exports: asked for, made in the background in one snapshot, fetched and cleared away, by managers alone."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.utils import timezone

from fleet import outbox, services
from fleet.canonical import canonical
from fleet.ids import new_id
from fleet.models import Bay, LedgerEntry, OutboxItem, Workshop
from fleet.tenancy import in_workshop
from reports.archive import dictionary
from reports.models import Export
from reports.selectors.archives import export_path
from reports.services import exports
from tests.factories import PIN, Site, make_site
from tests.reports.workshops import AWKWARD, Busy, exported, members_of, perform_due, tables_in

EXPORTS = "/api/v1/exports/"
MAKE = "reports.export_make"


def asked(site: Site, **body: Any) -> dict[str, Any]:
    answer = site.manager.client().post(EXPORTS, body)
    assert answer.status_code == 202, answer.json()
    told: dict[str, Any] = answer.json()
    return told


def made(site: Site) -> dict[str, Any]:
    told = asked(site)
    perform_due(site.workshop.pk, MAKE)
    found: dict[str, Any] = site.manager.client().get(f"{EXPORTS}{told['id']}/").json()
    return found


def file_of(export_id: str, site: Site) -> Path:
    return Path(settings.MEDIA_ROOT) / "exports" / str(site.workshop.pk) / f"{export_id}.zip"


class TestAsking:
    def test_an_export_is_queued_made_and_fetched(self, site: Site) -> None:
        told = asked(site)
        assert (told["state"], told["contents"], told["file"]) == ("queued", None, None)
        perform_due(site.workshop.pk, MAKE)
        client = site.manager.client()
        [listed] = client.get(EXPORTS).json()["results"]
        assert listed == client.get(f"{EXPORTS}{told['id']}/").json()
        assert listed["state"] == "done"
        assert listed["contents"]["vehicles"] == 1
        answer = client.get(listed["file"])
        content = b"".join(answer.streaming_content)  # type: ignore[attr-defined]
        assert answer["Content-Type"] == "application/zip"
        assert (len(content), hashlib.sha256(content).hexdigest()) == (listed["size"], listed["sha256"])

    def test_the_same_id_is_the_same_export(self, site: Site) -> None:
        known = str(new_id())
        first = asked(site, id=known)
        again = site.manager.client().post(EXPORTS, {"id": known})
        assert (again.status_code, again.json()) == (200, first)

    def test_one_is_made_at_a_time(self, site: Site) -> None:
        asked(site)
        second = site.manager.client().post(EXPORTS, {})
        assert (second.status_code, second.json()["type"]) == (409, "export_running")
        perform_due(site.workshop.pk, MAKE)
        asked(site)

    def test_the_file_is_not_there_before_it_is_made(self, site: Site) -> None:
        told = asked(site)
        answer = site.manager.client().get(f"{EXPORTS}{told['id']}/file/")
        assert (answer.status_code, answer.json()["type"]) == (409, "export_not_made")

    def test_an_unknown_member_is_refused(self, site: Site) -> None:
        answer = site.manager.client().post(EXPORTS, {"tables": ["fleet.vehicle"]})
        assert answer.json()["errors"][0]["pointer"] == "/tables"

    def test_the_request_stands_in_the_ledger(self, site: Site) -> None:
        told = asked(site)
        with in_workshop(site.workshop.pk):
            entry = LedgerEntry.objects.get(kind="export_requested")
        assert str(entry.record_id) == told["id"]
        assert entry.actor == site.manager.membership.pk


class TestWhoMay:
    @pytest.mark.parametrize("role", ["technician", "auditor", "operator_contact", "integrator"])
    def test_nobody_but_managers(self, site: Site, role: str) -> None:
        fields: dict[str, Any] = {"operator": site.operator().pk} if role == "operator_contact" else {}
        if role == "integrator":
            fields = {"scopes": ["read", "facts:write"]}
        person = site.person(role, **fields)
        told = made(site)
        for call in (
            person.client().get(EXPORTS),
            person.client().post(EXPORTS, {}),
            person.client().get(f"{EXPORTS}{told['id']}/"),
            person.client().get(f"{EXPORTS}{told['id']}/file/"),
        ):
            assert call.status_code == 403

    def test_another_workshop_sees_nothing(self, site: Site, other_site: Site) -> None:
        told = made(site)
        stranger = other_site.manager.client()
        assert stranger.get(EXPORTS).json()["results"] == []
        assert stranger.get(f"{EXPORTS}{told['id']}/").status_code == 404
        assert stranger.get(f"{EXPORTS}{told['id']}/file/").status_code == 404

    def test_nobody_is_asked_who_they_are(self, site: Site) -> None:
        from rest_framework.test import APIClient

        assert APIClient().post(EXPORTS, {}).status_code == 401


@pytest.mark.usefixtures("db")
class TestContent:
    def test_the_manifest_has_the_hash_of_every_other_member(self, busy: Busy) -> None:
        members = members_of(busy.file)
        told = json.loads(members.pop("manifest.json"))
        assert (told["format"], told["version"]) == ("levelbook-archive", 1)
        assert {each["name"]: each["sha256"] for each in told["members"]} == {
            name: hashlib.sha256(content).hexdigest() for name, content in members.items()
        }
        assert {"epoch", "made_at", "workshop", "workshop_id", "counts", "left_out"} <= told.keys()
        for name, rows in tables_in(busy.file).items():
            assert told["counts"][name.removeprefix("tables/").removesuffix(".csv")] == len(rows)

    def test_every_entry_stands_as_it_was_hashed(self, busy: Busy) -> None:
        lines = members_of(busy.file)["ledger/entries.ndjson"].splitlines()
        with in_workshop(busy.site.workshop.pk):
            hashes = list(LedgerEntry.objects.order_by("book", "sequence").values_list("hash", flat=True))
        found = [hashlib.sha256(line).hexdigest() for line in lines]
        assert found == hashes[: len(found)] or set(found) <= set(hashes)
        assert all(canonical(json.loads(line)) == line for line in lines)

    def test_text_that_looks_like_a_formula_is_none(self, busy: Busy) -> None:
        notes = {row["note"] for row in tables_in(busy.file)["tables/fleet.serviceevent.csv"]}
        assert notes == {f"'{AWKWARD}"}

    def test_no_secret_is_in_it(self, busy: Busy) -> None:
        site, whole = busy.site, b"\n".join(members_of(busy.file).values())
        people = [site.manager, site.technician]
        secrets = [each.token.encode() for each in people] + [each.password.encode() for each in people]
        with in_workshop(site.workshop.pk):
            stored = [bytes(token.digest).hex().encode() for each in people for token in each.membership.tokens.all()]
            stored += [each.membership.user.password.encode() for each in people]
            stored += [type(each.membership).objects.get(pk=each.membership.pk).pin.encode() for each in people]
            stored += [bytes(each.membership.commitment_salt).hex().encode() for each in people]
        stored += [settings.SECRET_KEY.encode(), settings.CHECKPOINT_KEY.encode()]
        assert all(stored)
        assert not [each for each in secrets + stored if each in whole]
        assert f",{PIN},".encode() not in whole

    def test_a_picture_that_is_gone_is_named_and_stops_nothing(self, site: Site, monkeypatch: Any) -> None:
        from tests.reports.jobs import adjusted
        from tests.reports.workshops import picture

        bench = adjusted(site)
        with in_workshop(site.workshop.pk):
            from calibration.models import Photo, Round
            from calibration.services.photos import photo_add

            first = Round.objects.filter(job=bench.job).first()
            assert first is not None
            photo_add(actor=bench.actor(), record_id=new_id(), file=picture("green"), round_id=first.pk)
            path = Photo.objects.get(round=first).path
        (Path(settings.MEDIA_ROOT) / path).unlink()
        told = made(site)
        assert (told["state"], told["missing"], told["contents"]["photos"]) == ("done", 1, 0)
        [name] = json.loads(members_of(file_of(told["id"], site))["manifest.json"])["missing"]
        assert name.startswith("photos/photo/")


class TestClearing:
    def test_the_file_goes_when_it_was_kept_long_enough(self, site: Site) -> None:
        told = made(site)
        file = file_of(told["id"], site)
        assert file.exists()
        with in_workshop(site.workshop.pk):
            item = OutboxItem.objects.get(kind="reports.export_clear")
            export = Export.objects.get(pk=told["id"])
            assert export.made_at is not None
            assert item.due_at == export.expires_at == export.made_at + timedelta(days=settings.EXPORT_DAYS)
            OutboxItem.objects.filter(pk=item.pk).update(due_at=timezone.now())
        perform_due(site.workshop.pk, "reports.export_clear")
        assert not file.exists()
        client = site.manager.client()
        assert client.get(f"{EXPORTS}{told['id']}/").json()["state"] == "cleared"
        answer = client.get(f"{EXPORTS}{told['id']}/file/")
        assert answer.status_code == 404
        assert "new export" in answer.json()["detail"]

    def test_a_file_that_a_restore_did_not_bring_back_is_said_to_be_gone(self, site: Site) -> None:
        told = made(site)
        file_of(told["id"], site).unlink()
        assert site.manager.client().get(told["file"]).status_code == 404

    def test_what_failed_in_every_attempt_waits_among_the_parked_work(self, site: Site, monkeypatch: Any) -> None:
        def broken(*_args: Any, **_kwargs: Any) -> None:
            raise OSError("no space left on device")

        monkeypatch.setattr(exports, "archive_write", broken)
        told = asked(site)
        with in_workshop(site.workshop.pk):
            item = OutboxItem.objects.get(kind=MAKE)
        for _ in range(outbox.MOST_ATTEMPTS):
            outbox.perform(site.workshop.pk, item.pk)
            with in_workshop(site.workshop.pk):
                OutboxItem.objects.filter(pk=item.pk).update(due_at=timezone.now())
        client = site.manager.client()
        assert client.get(f"{EXPORTS}{told['id']}/").json()["state"] == "failed"
        assert not list(file_of(told["id"], site).parent.glob(f"{told['id']}*"))
        [parked] = client.get("/api/v1/parked-work/").json()["results"]
        monkeypatch.undo()
        client.post(f"/api/v1/parked-work/{parked['id']}/retry/")
        perform_due(site.workshop.pk, MAKE)
        assert client.get(f"{EXPORTS}{told['id']}/").json()["state"] == "done"


@pytest.mark.usefixtures("committed_db", "no_hints")
class TestOnRealCommits:
    def add_a_bay_meanwhile(self, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
        """Somebody else adds a bay while the tables are being written."""
        from concurrent.futures import ThreadPoolExecutor

        from django.db import connections

        write = dictionary.as_csv

        def add() -> None:
            services_bay(site)
            connections.close_all()

        def and_add() -> str:
            with ThreadPoolExecutor(1) as pool:
                pool.submit(add).result()
            return write()

        monkeypatch.setattr(dictionary, "as_csv", and_add)

    def told_of_bays(self, site: Site) -> tuple[int, int]:
        """In the table, and in the ledger."""
        members = members_of(exported(site))
        rows = members["tables/fleet.bay.csv"].decode().splitlines()[1:]
        return len(rows), members["ledger/entries.ndjson"].count(b'"kind":"bay_added"')

    def test_everything_is_of_one_moment(self, monkeypatch: pytest.MonkeyPatch) -> None:
        site = make_site()
        self.add_a_bay_meanwhile(site, monkeypatch)
        with in_workshop(site.workshop.pk):
            Workshop.objects.get()
        assert self.told_of_bays(site) == (0, 0)
        monkeypatch.undo()

    def test_without_one_snapshot_that_test_fails(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Negative control."""
        site = make_site()
        self.add_a_bay_meanwhile(site, monkeypatch)
        monkeypatch.setattr(outbox, "_in_one_snapshot", set())
        assert self.told_of_bays(site) == (1, 1)
        monkeypatch.undo()

    @pytest.mark.parametrize(
        "place",
        [
            "reports.services.exports:archive_write",
            "reports.archive.filling:_photos",
            "reports.services.exports:sha256_of_file",
            "reports.models:Export.save",
        ],
    )
    def test_a_worker_killed_anywhere_leaves_no_half_export(
        self, database_environment: dict[str, str], place: str
    ) -> None:
        site = make_site()
        told = asked(site)
        with in_workshop(site.workshop.pk):
            item = OutboxItem.objects.get(kind=MAKE)
        kill_worker_at(place, item, database_environment)
        client = site.manager.client()
        state = client.get(f"{EXPORTS}{told['id']}/").json()
        assert (state["state"], state["file"]) == ("running", None)
        assert not outbox.perform(site.workshop.pk, item.pk), "its lease still holds"
        let_the_lease_lapse(item)
        perform_due(site.workshop.pk, MAKE)
        done = client.get(f"{EXPORTS}{told['id']}/").json()
        assert done["state"] == "done"
        with in_workshop(site.workshop.pk):
            path = Path(settings.MEDIA_ROOT) / export_path(Export.objects.get(pk=told["id"]))
        assert hashlib.sha256(path.read_bytes()).hexdigest() == done["sha256"]
        assert list(path.parent.glob(f"{told['id']}*")) == [path]

    def test_a_row_that_is_written_before_its_file_is_caught(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Negative control of the test before: a service that says done too early names a file that is not there."""
        site = make_site()
        told = asked(site)
        monkeypatch.setattr(exports, "export_make", _done_too_early)
        perform_due(site.workshop.pk, MAKE)
        monkeypatch.undo()
        assert site.manager.client().get(f"{EXPORTS}{told['id']}/").json()["state"] == "done"
        assert site.manager.client().get(f"{EXPORTS}{told['id']}/file/").status_code == 404

    def test_the_command_writes_the_same(self, tmp_path: Path) -> None:
        site, file = make_site(), tmp_path / "workshop.zip"
        call_command("export_workshop", str(file), "--workshop", str(site.workshop.pk))
        assert tables_in(file) == tables_in(exported(site))
        with pytest.raises(CommandError, match="exists already"):
            call_command("export_workshop", str(file), "--workshop", str(site.workshop.pk))
        with pytest.raises(CommandError, match="no workshop"):
            call_command("export_workshop", str(tmp_path / "other.zip"), "--workshop", str(new_id()))
        assert list(tmp_path.iterdir()) == [file]


def services_bay(site: Site) -> Bay:
    with in_workshop(site.workshop.pk):
        return services.bay_add(
            actor=site.manager.actor(),
            record_id=new_id(),
            name="added meanwhile",
            surveyed_on=timezone.localdate(),
            pad_levels_mm={"FL": 0, "FR": 0, "RL": 0, "RR": 0},
        )


def _done_too_early(*, actor: Any, export_id: Any) -> None:
    export = Export.objects.get(pk=export_id)
    export.made_at, export.expires_at, export.size, export.sha256 = actor.now, actor.now, 1, "0" * 64
    export.save()


def kill_worker_at(place: str, item: OutboxItem, environment: dict[str, str]) -> None:
    """Start a worker, wait until it is at a place, and kill it there."""
    command = [sys.executable, "-m", "tests.reports.archive_worker", str(item.workshop_id), str(item.pk), place]
    variables = {**os.environ, **environment, "DJANGO_SETTINGS_MODULE": "deploy.settings"}
    with subprocess.Popen(command, env=variables, stdout=subprocess.PIPE, text=True) as worker:
        assert worker.stdout is not None
        assert worker.stdout.readline() == "held\n"
        worker.kill()
    assert worker.returncode == -9


def let_the_lease_lapse(item: OutboxItem) -> None:
    with in_workshop(item.workshop_id):
        OutboxItem.objects.filter(pk=item.pk).update(leased_until=timezone.now() - timedelta(seconds=1))

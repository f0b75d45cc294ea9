"""What an empty workshop takes in, and what it refuses: all of an archive or nothing, and why."""

from __future__ import annotations

import io
import json
import random
import zipfile
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test.client import MULTIPART_CONTENT
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.ids import new_id
from fleet.models import Bay, LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.archive.members import ArchiveError
from reports.archive.opening import Archive
from reports.selectors.archives import what_is_there
from reports.services import archives
from tests.factories import Site
from tests.reports.altered_archives import Change, changed, in_member, in_table, nothing_was_taken_in, other_pdf
from tests.reports.workshops import Busy, Members, empty_site, handed_in, members_of, perform_due, rewritten, taken_in

pytestmark = pytest.mark.usefixtures("db", "no_hints")
ARCHIVES = "/api/v1/archives/"


@pytest.fixture
def empty(db: None) -> Site:
    return empty_site()


def posted(site: Site, content: bytes, **body: Any) -> Any:
    file = SimpleUploadedFile("workshop.zip", content, "application/zip")
    return site.manager.client().post(ARCHIVES, {"file": file, **body}, format="multipart")


class TestHandingIn:
    def test_it_is_queued_and_says_what_it_is_of(self, empty: Site, busy: Busy) -> None:
        answer = posted(empty, busy.file.read_bytes())
        assert answer.status_code == 202
        told = answer.json()
        assert (told["state"], told["refusal"]) == ("queued", None)
        assert told["source_workshop"]["workshop"] == busy.site.workshop.name
        assert told["contents"]["jobs"] == 3
        client = empty.manager.client()
        assert client.get(ARCHIVES).json()["results"] == [told]
        assert client.get(f"{ARCHIVES}{told['id']}/").json() == told

    def test_the_same_id_and_file_is_the_same_intake(self, empty: Site, busy: Busy) -> None:
        known, content = str(new_id()), busy.file.read_bytes()
        first = posted(empty, content, id=known)
        again = posted(empty, content, id=known)
        assert (first.status_code, again.status_code) == (202, 200)
        assert again.json() == first.json()
        other = posted(empty, content + b"x", id=known)
        assert (other.status_code, other.json()["type"]) == (409, "id_reused")

    def test_a_workshop_with_records_refuses(self, site: Site, busy: Busy) -> None:
        answer = posted(site, busy.file.read_bytes())
        assert (answer.status_code, answer.json()["type"]) == (409, "not_empty")
        assert "new workshop" in answer.json()["detail"]

    def test_one_waits_at_a_time(self, empty: Site, busy: Busy) -> None:
        posted(empty, busy.file.read_bytes())
        assert posted(empty, busy.file.read_bytes()).status_code == 409

    @pytest.mark.parametrize("content", [b"no archive", b"PK\x05\x06" + bytes(18), b"PK\x03\x04" + bytes(40)])
    def test_what_is_no_archive_is_said_at_once(self, empty: Site, content: bytes) -> None:
        answer = posted(empty, content)
        assert answer.status_code == 422
        [error] = answer.json()["errors"]
        assert error["pointer"] == "/file"
        assert error["code"] in {"not_an_archive", "no_manifest"}
        assert not list((Path(settings.MEDIA_ROOT) / "archives" / str(empty.workshop.pk)).iterdir())

    def test_one_that_is_cut_off_is_said_at_once(self, empty: Site, busy: Busy) -> None:
        answer = posted(empty, busy.file.read_bytes()[:-100])
        assert answer.json()["errors"][0]["code"] == "not_an_archive"

    def test_a_file_is_needed(self, empty: Site) -> None:
        answer = empty.manager.client().post(ARCHIVES, {}, format="multipart")
        assert answer.json()["errors"][0]["pointer"] == "/file"

    @pytest.mark.parametrize("role", ["technician", "auditor", "operator_contact"])
    def test_nobody_but_managers(self, site: Site, busy: Busy, role: str) -> None:
        fields = {"operator": site.operator().pk} if role == "operator_contact" else {}
        client = site.person(role, **fields).client()
        file = SimpleUploadedFile("workshop.zip", b"PK", "application/zip")
        assert client.post(ARCHIVES, {"file": file}, format="multipart").status_code == 403
        assert client.get(ARCHIVES).status_code == 403

    def test_another_workshop_sees_nothing(self, empty: Site, busy: Busy, other_site: Site) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        stranger = other_site.manager.client()
        assert stranger.get(ARCHIVES).json()["results"] == []
        assert stranger.get(f"{ARCHIVES}{made['id']}/").status_code == 404
        assert APIClient().get(ARCHIVES).status_code == 401


class TestEnding:
    """An intake that waits or failed may be ended; nothing of it was taken in, and another may be handed in."""

    def parked(self, site: Site, archive_id: str) -> None:
        with in_workshop(site.workshop.pk):
            items = OutboxItem.objects.filter(kind="reports.archive_take_in", payload={"archive": archive_id})
            items.update(state="parked", error="KeyError: 'bay'", finished_at=timezone.now())

    def end(self, site: Site, archive_id: str, **body: Any) -> Any:
        return site.manager.client().post(f"{ARCHIVES}{archive_id}/cancellation/", body)

    def test_of_one_that_failed_says_why(self, empty: Site, busy: Busy) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        self.parked(empty, made["id"])
        assert empty.manager.client().get(f"{ARCHIVES}{made['id']}/").json()["state"] == "failed"
        answers = [self.end(empty, made["id"]) for _twice in range(2)]

        assert [each.status_code for each in answers] == [200, 200]
        told = answers[0].json()
        assert (told["state"], told["refusal"]["code"]) == ("refused", "failed")
        assert "KeyError: 'bay'" in told["refusal"]["detail"]
        assert posted(empty, busy.file.read_bytes()).status_code == 202
        with in_workshop(empty.workshop.pk):
            assert not OutboxItem.objects.filter(state="parked").exists()
            assert LedgerEntry.objects.filter(kind="archive_cancelled").count() == 1

    def test_of_one_that_waits_leaves_its_work_undone(self, empty: Site, busy: Busy) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        known = str(new_id())
        assert [self.end(empty, made["id"], id=known).status_code for _twice in range(2)] == [200, 200]
        perform_due(empty.workshop.pk, "reports.archive_take_in")

        told = empty.manager.client().get(f"{ARCHIVES}{made['id']}/").json()
        assert (told["state"], told["refusal"]["code"]) == ("refused", "cancelled")
        with in_workshop(empty.workshop.pk):
            assert what_is_there() == []

    def test_what_is_settled_cannot_be_ended(self, empty: Site, busy: Busy) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        perform_due(empty.workshop.pk, "reports.archive_take_in")  # refused: its records are in this installation
        answer = self.end(empty, made["id"])
        assert (answer.status_code, answer.json()["type"]) == (409, "archive_settled")

    def test_is_for_managers_of_the_workshop(self, empty: Site, busy: Busy, other_site: Site) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        path = f"{ARCHIVES}{made['id']}/cancellation/"
        assert empty.person("technician").client().post(path, {}).status_code == 403
        assert other_site.manager.client().post(path, {}).status_code == 404
        assert APIClient().post(path, {}).status_code == 401


NOWHERE = "01999999-0000-7000-8000-000000000000"


class TestBadRequests:
    @pytest.mark.parametrize(
        ("method", "path", "body", "status"),
        [
            ("post", ARCHIVES, {"file": "text"}, 422),
            ("post", ARCHIVES, {"id": "no id"}, 422),
            ("post", ARCHIVES, {"archive": "x"}, 422),
            ("get", f"{ARCHIVES}no-id/", None, 404),
            ("get", f"{ARCHIVES}{NOWHERE}/", None, 404),
            ("get", f"{ARCHIVES}?state=done", None, 422),
            ("delete", ARCHIVES, None, 405),
            ("get", "/api/v1/exports/no-id/file/", None, 404),
            ("get", f"/api/v1/exports/{NOWHERE}/file/", None, 404),
            ("get", "/api/v1/exports/?page_size=x", None, 422),
            ("patch", f"/api/v1/exports/{NOWHERE}/", {}, 405),
        ],
    )
    def test_are_refused_with_a_reason(self, empty: Site, method: str, path: str, body: Any, status: int) -> None:
        form = {"format": "multipart"} if body is not None and method == "post" else {}
        answer = getattr(empty.manager.client(), method)(path, body, **form)
        assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
        assert answer.json()["detail"] or answer.json()["errors"]

    def test_an_archive_is_no_json(self, empty: Site) -> None:
        assert empty.manager.client().post(ARCHIVES, {}).status_code == 415

    def test_one_that_says_it_is_too_large_is_not_read(self, empty: Site) -> None:
        answer = empty.manager.client().post(ARCHIVES, b"", CONTENT_LENGTH="300000000", content_type=MULTIPART_CONTENT)
        assert answer.status_code == 413


class TestDamaged:
    """Found when it is handed in (422), or when the whole of it is read (`refused`)."""

    @pytest.mark.parametrize(
        ("change", "code", "member"),
        [
            (in_member("manifest.json", b'"version": 1', b'"version": 99'), "unknown_version", ""),
            (in_member("manifest.json", b"levelbook-archive", b"another-archive"), "no_manifest", ""),
            (in_member("manifest.json", b'"members"', b'"member"'), "no_manifest", ""),
            (lambda members: members.pop("tables/fleet.bay.csv"), "member_missing", "tables/fleet.bay.csv"),
            (lambda members: members.update({"tables/fleet.x.csv": b""}), "member_unknown", "tables/fleet.x.csv"),
            (lambda members: members.update({"../../evil": b"x"}), "strange_name", "../../evil"),
            (lambda members: members.update({"/etc/evil": b"x"}), "strange_name", "/etc/evil"),
            (lambda members: members.update({"tables/../../x.csv": b"x"}), "strange_name", "tables/../../x.csv"),
            (lambda members: members.update({"photos/photo/": b""}), "strange_name", "photos/photo/"),
            (lambda members: members.update({"C:\\evil": b"x"}), "strange_name", "evil"),
            (lambda members: members.update({"tables/a.b.csv": b"a" * 30_000_000}), "too_large", "tables/a.b.csv"),
        ],
    )
    def test_names_and_manifest(
        self, empty: Site, busy: Busy, tmp_path: Path, change: Change, code: str, member: str
    ) -> None:
        file = changed(busy, tmp_path, change, manifest_too=False)
        answer = posted(empty, file.read_bytes())
        assert answer.status_code == 422
        [error] = answer.json()["errors"]
        assert (error["pointer"], error["code"]) == ("/file", code)
        assert member in error["detail"]
        assert nothing_was_taken_in(empty)

    def test_one_name_twice(self, empty: Site, busy: Busy, tmp_path: Path) -> None:
        file = rewritten(members_of(busy.file), tmp_path / "twice.zip")
        with zipfile.ZipFile(file, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("tables/fleet.bay.csv", b"")
        assert posted(empty, file.read_bytes()).json()["errors"][0]["code"] == "strange_name"

    def test_a_link_is_no_file(self, empty: Site, busy: Busy, tmp_path: Path) -> None:
        file = rewritten(members_of(busy.file), tmp_path / "link.zip")
        with zipfile.ZipFile(file, "a") as archive:
            link = zipfile.ZipInfo("tables/fleet.link.csv")
            link.external_attr = 0o120777 << 16
            archive.writestr(link, "/etc/passwd")
        assert posted(empty, file.read_bytes()).json()["errors"][0]["code"] == "strange_name"

    def test_one_that_unpacks_to_too_much(self, empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(settings, "ARCHIVE_LARGEST_BYTES", 100_000)
        assert posted(empty, busy.file.read_bytes()).json()["errors"][0]["code"] == "too_large"

    def test_a_member_that_holds_more_than_the_manifest_says_is_read_no_further(
        self, busy: Busy, tmp_path: Path
    ) -> None:
        def longer(members: Members) -> None:
            members["tables/fleet.bay.csv"] += random.Random(1).randbytes(5_000_000)  # noqa: S311

        file = changed(busy, tmp_path, longer, manifest_too=False)
        with file.open("rb") as content, Archive.opened(content, largest=10**9) as archive:
            with archive.open("tables/fleet.bay.csv") as member:
                size = len(member.read())
            assert size == next(m.size for m in archive.manifest.members if m.name == "tables/fleet.bay.csv") + 1
            with pytest.raises(ArchiveError, match=r"tables/fleet\.bay\.csv"):
                archive.verify()

    @pytest.mark.parametrize(
        ("change", "member"),
        [
            (in_table("fleet.bay", b"home", b"hame"), "tables/fleet.bay.csv"),
            (other_pdf, "certificates/"),
            (in_member("ledger/keys.txt", b"levelbook", b"levelboek"), "ledger/keys.txt"),
            (in_member("data-dictionary.txt", b"DATA", b"DATE"), "data-dictionary.txt"),
        ],
    )
    def test_a_wrong_hash_names_the_member(
        self, empty: Site, busy: Busy, tmp_path: Path, change: Change, member: str
    ) -> None:
        intake = taken_in(empty, changed(busy, tmp_path, change, manifest_too=False))
        assert (intake.state, intake.refusal["code"]) == ("refused", "altered")
        assert intake.refusal["member"].startswith(member)
        assert nothing_was_taken_in(empty)
        told = empty.manager.client().get(f"{ARCHIVES}{intake.pk}/").json()
        assert (told["state"], told["refusal"]["member"]) == ("refused", intake.refusal["member"])

    def test_no_byte_that_was_flipped_goes_unnoticed(self, busy: Busy) -> None:
        """Whatever is read of an archive with one bit changed is what was written, or it is refused."""
        whole, chance, refused = busy.file.read_bytes(), random.Random(41), 0  # noqa: S311
        original = members_of(busy.file)
        for _ in range(150):
            place = chance.randrange(len(whole))
            flipped = bytearray(whole)
            flipped[place] ^= 1 << chance.randrange(8)
            try:
                with Archive.opened(io.BytesIO(flipped), largest=10**9) as archive:
                    archive.verify()
                    for member in archive.manifest.members:
                        with archive.open(member.name) as content:
                            assert content.read() == original[member.name], (place, member.name)
            except ArchiveError:
                refused += 1
        assert refused > 100


class TestAllOrNothing:
    def test_a_workshop_that_got_a_record_meanwhile_refuses(self, empty: Site, busy: Busy) -> None:
        intake = handed_in(empty, busy.file)
        empty.operator()
        perform_due(empty.workshop.pk, "reports.archive_take_in")
        with in_workshop(empty.workshop.pk):
            intake.refresh_from_db()
            assert (intake.state, intake.refusal["code"]) == ("refused", "not_empty")
            assert what_is_there() == ["fleet.operator"]

    def test_records_that_are_here_already_are_refused(self, empty: Site, busy: Busy) -> None:
        intake = taken_in(empty, busy.file)
        assert intake.refusal["code"] == "already_here"
        assert nothing_was_taken_in(empty)

    def test_after_a_refusal_another_archive_may_be_handed_in(self, empty: Site, busy: Busy) -> None:
        assert taken_in(empty, busy.file).state == "refused"
        assert handed_in(empty, busy.file).state == "waiting"

    def test_without_the_savepoint_something_would_be_left(
        self, empty: Site, busy: Busy, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Negative control of `nothing_was_taken_in`."""
        no_savepoint = SimpleNamespace(atomic=nullcontext, on_commit=transaction.on_commit)
        monkeypatch.setattr(archives, "transaction", no_savepoint)
        monkeypatch.setattr(archives, "rows_take_in", _one_bay_then_a_fault)
        taken_in(empty, busy.file)
        assert not nothing_was_taken_in(empty)


def _one_bay_then_a_fault(_archive: Archive, workshop_id: Any) -> Any:
    Bay.objects.create(name="half", surveyed_on="2026-01-01", pad_levels_mm={}, created_at="2026-01-01T00:00Z")
    raise ArchiveError("altered", "half")


def in_manifest(place: str, value: bytes) -> Change:
    """Written as it stands, since some of it is no JSON that Python writes."""

    def change(members: Members) -> None:
        told = json.loads(members["manifest.json"])
        of = told
        *path, last = place.split(".", 1)
        for each in path:
            of = of[each]
        of[last] = "HERE"
        members["manifest.json"] = json.dumps(told).encode().replace(b'"HERE"', value)

    return change


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("workshop", rb'"\u0000"'),
        ("made_by", rb'"\ud800"'),
        ("workshop_id", rb'"\udfff\u0000"'),
        ("counts.fleet.vehicle", b"1e999"),
        ("counts.fleet.vehicle", b"9" * 5_000),
        ("counts.fleet.vehicle", b"NaN"),
        ("counts", rb'{"\u0000": 1}'),
        ("members", b'[{"name": "a", "size": 1e999, "sha256": "a"}]'),
        ("members", b"[1]"),
        ("missing", b"7"),
    ],
)
def test_a_manifest_that_no_record_could_hold_is_refused(empty: Site, busy: Busy, place: str, value: bytes) -> None:
    members = members_of(busy.file)
    in_manifest(place, value)(members)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    answer = posted(empty, packed.getvalue())
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "no_manifest")


@pytest.mark.parametrize("method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_manifest_whose_packing_is_damaged_is_refused(empty: Site, busy: Busy, method: int) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        archive.writestr("manifest.json", members_of(busy.file)["manifest.json"])
    content = packed.getvalue()
    begin = 30 + len("manifest.json") + 9
    answer = posted(empty, content[:begin] + b"\xff" * 200 + content[begin + 200 :])
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "no_manifest")


@pytest.mark.parametrize(
    ("member", "line"),
    [
        ("ledger/entries.ndjson", b'{"id": [], "book": "b", "sequence": 1, "previous_hash": "' + b"0" * 64 + b'"}'),
        ("ledger/entries.ndjson", b'{"id": {}, "book": [], "sequence": 1}'),
        (
            "ledger/heads.ndjson",
            rb'{"note": "\ud800\n1\nAAAA\nmade_at 2026-11-26T15:20:00.000000+00:00\nafter 0\n\n\n"}',
        ),
        ("ledger/heads.ndjson", b'{"note": 7}'),
        ("ledger/heads.ndjson", b'{"note": "a\\n\\nb"}'),
        ("ledger/keys.txt", b"\xff"),
        ("ledger/keys.txt", "ä+ä+ä".encode()),
        ("ledger/leaves.csv", b"\0,\0,\0"),
    ],
)
def test_a_ledger_of_another_form_is_refused(empty: Site, busy: Busy, tmp_path: Path, member: str, line: bytes) -> None:
    def change(members: Members) -> None:
        first, *lines = members[member].splitlines(keepends=True)
        kept = [first] if member.endswith(".csv") else []
        members[member] = b"".join([*kept, line + b"\n", *lines])

    intake = taken_in(empty, changed(busy, tmp_path, change))
    assert intake.state == "refused"
    assert nothing_was_taken_in(empty)

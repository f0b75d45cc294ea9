"""Archives that are damaged or made up: each is refused with a reason, and nothing of it is taken in."""

from __future__ import annotations

import io
import json
import random
import zipfile
from pathlib import Path

import pytest
from django.conf import settings

from reports.archive.members import ArchiveError
from reports.archive.opening import Archive
from tests.factories import Site
from tests.reports.altered_archives import Change, changed, in_member, in_table, nothing_was_taken_in, other_pdf
from tests.reports.workshops import ARCHIVES, Busy, Members, empty_site, members_of, posted, rewritten, taken_in

pytestmark = pytest.mark.usefixtures("db", "no_hints")


@pytest.fixture
def empty(db: None) -> Site:
    return empty_site()


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

"""An archive of a workshop whose ledger says that the key of its first heads is lost."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.utils import timezone

from fleet import services
from fleet.actor import Actor
from fleet.lost_keys import LostKey
from fleet.signed_heads import verifier_key
from fleet.tenancy import in_workshop
from reports.archive import old_ledger
from reports.archive.members import HEADS, KEYS, ArchiveError
from reports.archive.old_ledger import verify_ledger
from reports.archive.opening import Archive
from tests.factories import Site, make_site
from tests.reports.workshops import Members, exported, members_of, rewritten

pytestmark = pytest.mark.usefixtures("db", "no_hints")


@pytest.fixture
def file(db: None, settings: Any) -> Path:
    """Two heads by the key that was lost, and those by the one that took its place."""
    site = make_site()
    for _ in range(2):
        site.vehicle()
        _with(site, services.checkpoint_make)
    settings.CHECKPOINT_KEY = "of a new machine"
    assert _with(site, services.new_signing_key_accept) is not None
    site.vehicle()
    _with(site, services.checkpoint_make)
    return exported(site)


def _with(site: Site, service: Any) -> Any:
    with in_workshop(site.workshop.pk):
        return service(actor=Actor.system(site.workshop.pk, timezone.now()))


def newest_size(file: Path) -> int:
    """Of the head that the archive's ledger is found to have."""
    with file.open("rb") as content, Archive.opened(content, largest=10**9) as archive:
        head = verify_ledger(archive)
    assert head is not None
    return head.size


def notes_of(members: Members) -> list[str]:
    return [json.loads(line)["note"] for line in members[HEADS].splitlines()]


def changed(file: Path, target: Path, place: int, old: str, new: str) -> Path:
    """One head says something else, written by somebody who made the manifest anew."""
    members = members_of(file)
    notes = notes_of(members)
    assert old in notes[place]
    notes[place] = notes[place].replace(old, new)
    members[HEADS] = b"".join(json.dumps({"note": note}).encode() + b"\n" for note in notes)
    return rewritten(members, target)


def test_its_ledger_holds(file: Path) -> None:
    assert len(notes_of(members_of(file))) == 5
    assert len(members_of(file)[KEYS].splitlines()) == 1, "nobody has the old key"
    assert newest_size(file) > 0


def test_without_what_its_ledger_says_it_would_not(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(old_ledger, "_told", lambda _entry: None)
    with pytest.raises(ArchiveError, match="none of the known keys signed it"):
        newest_size(file)


@pytest.mark.parametrize("place", [0, 1, 2, 3, 4])
def test_a_head_that_was_altered_is_found(file: Path, tmp_path: Path, place: int) -> None:
    with pytest.raises(ArchiveError):
        newest_size(changed(file, tmp_path / "altered.zip", place, "made_at 20", "made_at 19"))


def test_an_entry_cannot_speak_for_the_newest_head(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever has no key may write such an entry and a head of their own over it."""
    told = LostKey.told

    def beyond(facts: Any) -> LostKey | None:
        said = told(facts)
        return LostKey(said.size + 1_000, said.notes_sha256) if said else None

    monkeypatch.setattr(LostKey, "told", beyond)
    monkeypatch.setattr(LostKey, "covers", lambda _self, _notes: True)
    members = members_of(file)
    members[KEYS] = f"{verifier_key('levelbook/workshops/any', Ed25519PrivateKey.generate().public_key())}\n".encode()
    with pytest.raises(ArchiveError, match="none of the known keys signed it"):
        newest_size(rewritten(members, tmp_path / "keyless.zip"))

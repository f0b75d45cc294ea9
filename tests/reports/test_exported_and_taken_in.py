"""What was exported, taken in by an empty workshop of another installation and exported again, is equal."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from calibration.models import DriftState, RepeatabilitySums, ResponsePosterior
from calibration.services.photos import path_of_picture
from fleet import services
from fleet.credentials import find, memberships_of
from fleet.errors import Conflict
from fleet.models import LedgerEntry, Membership, User
from fleet.services import checkpoint_make
from fleet.tenancy import in_workshop
from reports.certificate.proof import Proof
from reports.models import ArchiveIntake, Certificate, CertificateFile
from reports.recomputing import carried
from reports.recomputing.result import Outcome
from reports.recomputing.whole import recomputed
from reports.selectors.archives import archive_path, evidence_path
from reports.selectors.certificates import verification
from tests.factories import PASSWORD, Site
from tests.reports.workshops import (
    Busy,
    another_installation,
    empty_site,
    exported,
    handed_in,
    members_of,
    perform_due,
    rewritten,
    system,
    tables_in,
    taken_in,
)

pytestmark = pytest.mark.usefixtures("committed_db", "no_hints")
DERIVED = (RepeatabilitySums, ResponsePosterior, DriftState)
Figures = dict[str, list[dict[str, Any]]]


@dataclass(frozen=True)
class Moved:
    """The workshop in its new place, and what came of it."""

    site: Site
    intake: ArchiveIntake
    again: Path
    figures_before: Figures
    files: Path


@pytest.fixture(scope="module")
def moved(busy: Busy, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Moved]:
    """Taken in where somebody has an account with the e-mail address of one of its people, and the manager's too."""
    files = tmp_path_factory.mktemp("files")
    with django_db_blocker.unblock():
        figures = figures_of(busy.site)
        with another_installation(files):
            User.objects.create_user(busy.site.technician.email, PASSWORD)
            site = empty_site(busy.site.manager.email)
            intake = taken_in(site, busy.file)
            assert intake.state == "done", intake.refusal
            perform_due(site.workshop.pk)
            with in_workshop(site.workshop.pk):
                checkpoint_make(actor=system(site))
            yield Moved(site, intake, exported(site), figures, files)


@pytest.fixture
def inside(moved: Moved) -> Iterator[Moved]:
    with in_workshop(moved.site.workshop.pk):
        yield moved


def figures_of(site: Site) -> Figures:
    """What is derived, without ids and times of its making."""
    left = ("id", "workshop_id", "version", "known_at")
    with in_workshop(site.workshop.pk):
        return {
            model.__name__: sorted(
                ({k: v for k, v in row.items() if k not in left} for row in model._base_manager.values()), key=str
            )
            for model in DERIVED
        }


def test_every_table_is_equal_but_for_what_is_named(busy: Busy, moved: Moved) -> None:
    before, after = tables_in(busy.file), tables_in(moved.again)
    people, now = before.pop("tables/fleet.membership.csv"), after.pop("tables/fleet.membership.csv")
    assert before == after
    assert sum(map(len, before.values())) > 90
    founder = str(moved.site.manager.membership.pk)
    assert [row["id"] for row in now] == [*(row["id"] for row in people), founder]
    for was, row in zip(people, now, strict=False):
        aside = {"is_active": "false"} | ({"email": ""} if was["email"] == busy.site.manager.email else {})
        assert row == {**was, **aside}


def test_certificates_and_pictures_are_the_same_bytes(busy: Busy, moved: Moved) -> None:
    first, second = members_of(busy.file), members_of(moved.again)
    for name, content in first.items():
        if name.startswith(("certificates/", "photos/", "data-dictionary")):
            assert second[name] == content, name
    assert sum(name.startswith("certificates/") for name in first) == 3
    assert sum(name.startswith("photos/") for name in first) == 2


def test_certificates_are_found_by_their_codes(busy: Busy, moved: Moved) -> None:
    for row in tables_in(busy.file)["tables/reports.certificate.csv"]:
        found = verification(row["code"])
        assert found is not None
        assert (str(found.number), found.workshop) == (row["number"], busy.site.workshop.name)


class TestProof:
    """Of certificates that were issued before the move, made anew in the new place: their pages name the old ledger."""

    def outcomes(self, moved: Moved) -> set[tuple[str, Outcome]]:
        with in_workshop(moved.site.workshop.pk):
            results = [result for each in Certificate.objects.order_by("number") for result in recomputed(each)]
        assert results
        return {(each.part, each.outcome) for each in results}

    def test_all_is_proven(self, moved: Moved) -> None:
        parts = ("ledger", "data", "text", "bytes", "signature")
        assert self.outcomes(moved) == {(part, Outcome.PROVEN) for part in parts}

    def test_where_the_old_key_is_not_named_the_setting_is(self, moved: Moved, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(carried, "known_keys", list)
        assert self.outcomes(moved) == {("ledger", Outcome.BAD)}
        with in_workshop(moved.site.workshop.pk):
            first = next(iter(recomputed(Certificate.objects.order_by("number")[0])))
        assert "FORMER_CHECKPOINT_KEYS" in first.said

    def test_a_file_of_another_entry_than_the_archive_brought_is_found(
        self, moved: Moved, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(carried, "_hashes_before", lambda _taken_in: iter(["0" * 64]))
        assert self.outcomes(moved) == {("ledger", Outcome.BAD)}

    @pytest.mark.parametrize(
        ("altered", "told"),
        [
            (lambda proof: replace(proof, entry={**proof.entry, "sequence": 999}), "another hash than its own"),
            (lambda proof: replace(proof, path=("00" * 32, *proof.path[1:])), "not among the leaves"),
            (lambda proof: replace(proof, path=("no hash", *proof.path[1:])), "does not hold"),
            (lambda proof: replace(proof, checkpoint=f"elsewhere{proof.checkpoint}"), "not among the leaves"),
        ],
        ids=["entry", "path", "no path", "head of another workshop"],
    )
    def test_a_file_with_an_altered_proof_is_found(
        self, moved: Moved, monkeypatch: pytest.MonkeyPatch, altered: Callable[[Proof], Proof], told: str
    ) -> None:
        attached = carried._attached
        monkeypatch.setattr(carried, "_attached", lambda pdf: altered(attached(pdf)))
        with in_workshop(moved.site.workshop.pk):
            first = next(iter(recomputed(Certificate.objects.order_by("number")[0])))
        assert (first.part, first.outcome) == ("ledger", Outcome.BAD)
        assert told in first.said


def test_the_new_ledger_holds_every_row(moved: Moved) -> None:
    out = io.StringIO()
    call_command("verify_records", "--workshop", str(moved.site.workshop.pk), stdout=out)
    assert "good." in out.getvalue()


def test_the_history_of_a_vehicle_goes_on_with_its_times(busy: Busy, inside: Moved) -> None:
    vin = tables_in(busy.file)["tables/fleet.vehicle.csv"][0]["vin"]
    history = inside.site.manager.client().get(f"/api/v1/vehicles/{vin}/history/").json()["results"]
    kinds = [each["kind"] for each in history]
    assert {"vehicle_added", "job_opened", "round_recorded", "job_signed_off"} <= set(kinds)
    first = LedgerEntry.objects.filter(kind="job_opened").order_by("recorded_at").first()
    assert first is not None
    assert first.recorded_at < inside.site.began_at
    assert first.payload["taken_in"]["intake"] == str(inside.intake.pk)


def test_what_is_derived_is_made_anew_and_equal(moved: Moved) -> None:
    now = figures_of(moved.site)
    assert now["DriftState"]
    assert now["RepeatabilitySums"]
    for name, rows in now.items():
        for row, before in zip(rows, moved.figures_before[name], strict=True):
            assert {k: (v, before[k]) for k, v in row.items() if str(v) != str(before[k])} == {}


def test_work_goes_on_with_the_next_numbers(busy: Busy, inside: Moved) -> None:
    series = {row["series"]: int(row["last"]) for row in tables_in(busy.file)["tables/fleet.numbering.csv"]}
    assert series["job"] == 3
    assert Certificate.objects.filter(state="issued").count() == CertificateFile.objects.count()


class TestPeople:
    def test_come_by_name_and_can_do_nothing(self, busy: Busy, inside: Moved) -> None:
        come = Membership.objects.exclude(pk=inside.site.manager.membership.pk)
        assert {each.name for each in come} >= {"+Ada 'Lovelace'"}
        assert not come.filter(is_active=True).exists()
        assert not come.exclude(pin="").exists()
        assert not any(each.tokens.exists() or each.sessions.exists() or each.invitations.exists() for each in come)
        assert all(
            not each.user.has_usable_password() for each in come if each.user.email != busy.site.technician.email
        )

    def test_an_account_that_was_there_sees_nothing_before_its_person_accepts(self, busy: Busy, moved: Moved) -> None:
        user = User.objects.get(email=busy.site.technician.email)
        assert user.check_password(PASSWORD)
        assert memberships_of(user.pk) == []
        with in_workshop(moved.site.workshop.pk):
            person = Membership.objects.get(user=user)
        path = f"/api/v1/people/{person.pk}/"
        client = moved.site.manager.client()
        version = client.get(path)["ETag"]
        made_active = client.patch(path, {"is_active": True}, headers={"If-Match": version})
        assert (made_active.status_code, made_active.json()["type"]) == (409, "not_accepted")

    def test_who_accepts_is_who_did_it(self, busy: Busy, moved: Moved) -> None:
        user = User.objects.get(email=busy.site.technician.email)
        with in_workshop(moved.site.workshop.pk):
            person = Membership.objects.get(user=user)
            invitation = services.person_reinvite(actor=moved.site.manager.actor(), person=person)
            credential = find("invitation", services.invitation_code(invitation))
        assert credential is not None
        services.invitation_accept(
            credential=credential, password=PASSWORD, pin="4711", now=moved.site.manager.actor().now
        )
        assert [name for _w, _m, name in memberships_of(user.pk)] == [busy.site.workshop.name]
        assert str(person.pk) in {
            row["measured_by_id"] for row in tables_in(busy.file)["tables/calibration.reading.csv"]
        }

    def test_the_founder_goes_on_beside_what_the_archive_says_of_them(self, busy: Busy, inside: Moved) -> None:
        old = Membership.objects.get(pk=busy.site.manager.membership.pk)
        assert old.user.email.endswith("@taken-in.invalid")
        assert not old.user.is_active
        assert Membership.objects.get(user__email=busy.site.manager.email).is_active


class TestEvidence:
    def test_the_old_ledger_is_kept_and_can_be_verified(
        self, inside: Moved, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = Path(settings.MEDIA_ROOT) / evidence_path(inside.intake)
        call_command("verify_archive", str(file))
        said = capsys.readouterr().out
        assert "good." in said
        assert "keys:" in said
        entry = LedgerEntry.objects.filter(kind="archive_taken_in").first()
        assert entry is not None
        assert entry.payload["facts"]["evidence_sha256"] == inside.intake.evidence_sha256
        assert entry.payload["facts"]["head"] in said
        assert not (Path(settings.MEDIA_ROOT) / archive_path(inside.intake)).exists()

    def test_each_entry_says_what_the_old_ones_hash_was(self, busy: Busy, inside: Moved) -> None:
        lines = members_of(busy.file)["ledger/leaves.csv"].decode("utf-8-sig").splitlines()[1:]
        hashes = {line.split(",")[1]: line.split(",")[2] for line in lines}
        taken = {str(each.pk): each.payload["taken_in"]["hash"] for each in _replayed()}
        assert hashes.items() <= taken.items()

    def test_an_altered_one_is_found(self, inside: Moved, tmp_path: Path) -> None:
        members = members_of(Path(settings.MEDIA_ROOT) / evidence_path(inside.intake))
        members["ledger/entries.ndjson"] = members["ledger/entries.ndjson"].replace(b'"outside"', b'"within"', 1)
        with pytest.raises(CommandError, match="ledger"):
            call_command("verify_archive", str(rewritten(members, tmp_path / "altered.zip")))


def _replayed() -> list[LedgerEntry]:
    return [each for each in LedgerEntry.objects.all() if "taken_in" in each.payload]


def test_pictures_lie_where_their_rows_say(moved: Moved) -> None:
    for name in members_of(moved.again):
        if name.startswith("photos/"):
            sha256 = name.rpartition("/")[2].partition(".")[0]
            assert (moved.files / path_of_picture(moved.site.workshop.pk, sha256)).is_file()


def test_a_workshop_moves_more_than_once(moved: Moved, tmp_path: Path) -> None:
    with another_installation(tmp_path / "files"):
        site = empty_site()
        intake = taken_in(site, moved.again)
        assert intake.state == "done", intake.refusal
        perform_due(site.workshop.pk)
        with in_workshop(site.workshop.pk):
            checkpoint_make(actor=system(site))
            first = LedgerEntry.objects.filter(kind="job_opened").first()
        call_command("verify_records", "--workshop", str(site.workshop.pk), stdout=io.StringIO())
        before, after = tables_in(moved.again), tables_in(exported(site))
    for tables in (before, after):
        del tables["tables/fleet.membership.csv"]
    assert before == after
    assert first is not None
    assert first.payload["taken_in"]["before"]["intake"] == str(moved.intake.pk)


def test_the_same_archive_is_refused_where_its_records_are(busy: Busy, moved: Moved) -> None:
    """In this installation they are: the workshop that took it in is still there."""
    second = empty_site()
    intake = taken_in(second, busy.file)
    assert (intake.state, intake.refusal["code"]) == ("refused", "already_here")
    assert "another" in intake.refusal["detail"]
    with in_workshop(second.workshop.pk):
        assert Membership.objects.count() == 1
    with pytest.raises(Conflict, match="empty"):
        handed_in(moved.site, busy.file)


def test_the_command_takes_one_in_too(busy: Busy, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with another_installation(tmp_path / "files"):
        site = empty_site()
        call_command("take_in_archive", str(busy.file), "--workshop", str(site.workshop.pk))
        told = json.loads(capsys.readouterr().out)
        assert told["state"] == "done"
        assert told["counts"]["calibration.job"] == 3
        with pytest.raises(CommandError, match="empty"):
            call_command("take_in_archive", str(busy.file), "--workshop", str(site.workshop.pk))

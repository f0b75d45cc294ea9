"""Archives that were altered with their manifest, and workers killed while one is taken in, where its ids are free."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from deploy.embedded.folder import data_folder
from fleet import outbox
from fleet.models import OutboxItem, Vehicle
from fleet.tenancy import in_workshop
from reports.archive.old_ledger import verify_ledger
from reports.archive.opening import Archive
from reports.models import ArchiveIntake
from tests import database
from tests.factories import Site
from tests.reports.altered_archives import (
    Change,
    changed,
    in_member,
    in_table,
    nothing_was_taken_in,
    one_leaf_other,
    other_pdf,
    without_last_line,
    without_last_row,
)
from tests.reports.test_exports import kill_worker_at, let_the_lease_lapse
from tests.reports.workshops import (
    Busy,
    another_installation,
    empty_site,
    handed_in,
    members_of,
    perform_due,
    taken_in,
)

pytestmark = pytest.mark.usefixtures("committed_db", "no_hints")


@pytest.fixture(scope="module")
def files(busy: Busy, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Of another installation: what is refused there is so for what was altered, not since the records are here."""
    folder = tmp_path_factory.mktemp("files")
    with django_db_blocker.unblock(), another_installation(folder):
        yield folder


@pytest.fixture
def elsewhere(files: Path) -> Site:
    return empty_site()


class TestAlteredWithItsManifest:
    """Somebody changes what an archive says and makes the manifest anew: the ledger within knows better."""

    @pytest.mark.parametrize(
        ("change", "code", "member"),
        [
            (in_table("fleet.bay", b"home", b"hame"), "differs_from_ledger", "tables/fleet.bay.csv"),
            (
                in_table("calibration.reading", b",FL,", b",FR,"),
                "differs_from_ledger",
                "tables/calibration.reading.csv",
            ),
            (in_table("fleet.membership", b"technician", b"manager"), "differs_from_ledger", "fleet.membership.csv"),
            (without_last_row("fleet.fitment"), "differs_from_ledger", "tables/fleet.fitment.csv"),
            (other_pdf, "altered", "certificates/"),
            (in_member("ledger/entries.ndjson", b'"outside"', b'"within"'), "altered", "ledger/"),
            (without_last_line("ledger/entries.ndjson"), "altered", "ledger/"),
            (one_leaf_other, "altered", "ledger/leaves.csv"),
            (without_last_line("ledger/heads.ndjson"), "altered", "ledger/heads.ndjson"),
            (without_last_line("ledger/keys.txt"), "altered", "ledger/"),
            (in_table("fleet.bay", b"surveyed_on", b"surveyed"), "unknown_version", "tables/fleet.bay.csv"),
            (in_table("fleet.vehicle", b",2024,", b",MMXXIV,"), "bad_value", "tables/fleet.vehicle.csv"),
            (
                in_table("reports.certificatefile", b'{""', rb'{""\ud800"":1,""'),
                "bad_value",
                "reports.certificatefile.csv",
            ),
            (without_last_row("fleet.vehicle"), "refused_rows", "tables/"),
            (in_member("manifest.json", b'"fleet.vehicle": 3', b'"fleet.vehicle": 4'), "altered", "fleet.vehicle"),
        ],
    )
    def test_is_refused_and_nothing_is_taken_in(
        self, elsewhere: Site, busy: Busy, tmp_path: Path, change: Change, code: str, member: str
    ) -> None:
        intake = taken_in(elsewhere, changed(busy, tmp_path, change))
        assert (intake.state, intake.refusal["code"]) == ("refused", code), intake.refusal
        assert member in intake.refusal["member"]
        assert nothing_was_taken_in(elsewhere)

    def test_an_accepted_ledger_is_needed(self, busy: Busy, tmp_path: Path) -> None:
        """The same reader finds nothing wrong with the archive as it is."""
        with busy.file.open("rb") as content, Archive.opened(content, largest=10**9) as archive:
            archive.verify()
            head = verify_ledger(archive)
        assert head is not None
        assert head.size == json.loads(members_of(busy.file)["manifest.json"])["counts"]["ledger_entries"]


def test_a_worker_killed_anywhere_takes_in_nothing_and_the_next_one_all(
    elsewhere: Site, busy: Busy, files: Path
) -> None:
    site = elsewhere
    handed_in(site, busy.file)
    environment = database.database_environment(data_folder(), connection.settings_dict["NAME"])
    environment["FILES_URL"] = str(files)
    with in_workshop(site.workshop.pk):
        item = OutboxItem.objects.get(kind="reports.archive_take_in")
    for place in (
        "reports.services.archives:verify_ledger",
        "reports.archive.replaying:Replay.run",
        "reports.services.archives:pictures_take_in",
        "reports.models:ArchiveIntake.save",
    ):
        kill_worker_at(place, item, environment)
        assert nothing_was_taken_in(site), place
        assert not outbox.perform(site.workshop.pk, item.pk), "its lease still holds"
        let_the_lease_lapse(item)
    perform_due(site.workshop.pk, "reports.archive_take_in")
    with in_workshop(site.workshop.pk):
        intake = ArchiveIntake.objects.get()
        assert (intake.state, intake.refusal) == ("done", {})
        assert Vehicle.objects.count() == 3

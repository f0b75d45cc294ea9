"""What a tablet without a connection saved to a file is recorded from the manager's page."""

from __future__ import annotations

from pathlib import Path

from django.core.files.uploadedfile import SimpleUploadedFile
from playwright.sync_api import expect

from calibration.models import Job
from fleet.tenancy import in_workshop
from tests.bench.bay import PATIENCE_MS, TABLET, TabletInBay
from tests.bench.test_shell import HELD_ONE, open_job_offline, status
from tests.fleet.signin.browsers import browser_of


def test_a_job_noted_without_network_arrives_by_file_and_is_known_when_the_tablet_comes_back(
    tablet: TabletInBay, tmp_path: Path
) -> None:
    job = open_job_offline(tablet)
    status(tablet, HELD_ONE)
    tablet.open("#/tray")
    with tablet.page.expect_download() as download:
        tablet.press("Save all of it to a file")
    assert download.value.suggested_filename.endswith(".lbox")
    download.value.save_as(tmp_path / "tablet.lbox")

    manager = browser_of(tablet.bay.site.manager)
    file = SimpleUploadedFile("tablet.lbox", (tmp_path / "tablet.lbox").read_bytes())
    seen = manager.post("/tablets/import/", {"file": file})
    assert seen.status_code == 302, seen.content.decode()
    assert TABLET in manager.get(seen["Location"]).content.decode()
    manager.post(seen["Location"])
    assert "1 recorded now" in manager.get(seen["Location"]).content.decode()

    with in_workshop(tablet.bay.site.workshop.pk):
        recorded = Job.objects.get()
        assert (str(recorded.pk), recorded.opened_by) == (job, tablet.bay.technician.membership.pk)
    tablet.context.set_offline(False)
    expect(tablet.page.locator(".bench-top")).to_contain_text("All records sent", timeout=PATIENCE_MS)
    with in_workshop(tablet.bay.site.workshop.pk):
        assert Job.objects.count() == 1

"""A browser that is killed with records on it: opened again, all of them are there, and are sent once."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Playwright, expect

from tests.bench.bay import PATIENCE_MS, Bay, TabletInBay
from tests.browser.killable import Chromium


def test_killed_without_network_and_opened_again_nothing_is_lost_and_nothing_comes_twice(
    bay: Bay, playwright: Playwright, chromium_path: str, tmp_path: Path
) -> None:
    with Chromium(playwright, chromium_path, tmp_path) as chromium:
        tablet = TabletInBay.unpacked(bay, chromium.context)
        tablet.enrol()
        tablet.sign_in()
        tablet.expect_heading("Today")
        tablet.open(f"#/vehicle/{bay.vehicle.vin}")
        expect(tablet.page.get_by_role("button", name="Open a job")).to_be_visible(timeout=PATIENCE_MS)
        tablet.wait_until_worker_is_ready()
        tablet.context.set_offline(True)
        job = tablet.open_job()
        expect(tablet.page.locator(".bench-top")).to_contain_text("1 record is on this tablet only")
        chromium.kill()
    assert bay.get("/jobs/")["results"] == []
    with Chromium(playwright, chromium_path, tmp_path) as chromium:
        tablet = TabletInBay.unpacked(bay, chromium.context)
        tablet.context.set_offline(True)
        tablet.open(f"#/job/{job}")
        expect(tablet.page.locator(".bench-top")).to_contain_text(
            "1 record is on this tablet only", timeout=PATIENCE_MS
        )
        tablet.context.set_offline(False)
        expect(tablet.page.locator(".bench-top")).to_contain_text("All records sent", timeout=PATIENCE_MS)
    assert [each["id"] for each in bay.get("/jobs/")["results"]] == [job]

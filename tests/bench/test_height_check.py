"""A height check at the tablet: without a job, asked again where a height is far, kept without network."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import expect

from tests.bench.bay import PATIENCE_MS, TabletInBay
from tests.bench.technician import NAMES
from tests.bench.test_job_screens import Looked

HIGH_FRONT_LEFT = {"FL": 498, "FR": 486, "RL": 504, "RR": 504}


def type_heights(tablet: TabletInBay, heights: dict[str, int]) -> None:
    for corner, height in heights.items():
        tablet.page.get_by_label(f"Height, {NAMES[corner]}").fill(str(height))


def checks_of(tablet: TabletInBay) -> list[Any]:
    results: list[Any] = tablet.bay.get(f"/vehicles/{tablet.bay.vehicle.vin}/checks/")["results"]
    return results


def test_a_check_is_recorded_from_the_vehicles_screen_and_its_result_is_told(tablet: TabletInBay) -> None:
    page, looked = tablet.page, Looked()
    tablet.open(f"#/vehicle/{tablet.bay.vehicle.vin}")
    page.get_by_role("link", name="Height check").click()
    tablet.expect_heading("Height check")
    expect(page.get_by_text("Keep head, hands and arms out of the gap")).to_be_visible()
    tablet.press("Record the height check")
    expect(page.get_by_text("Type the height in millimetres").first).to_be_visible()
    page.get_by_label("Odometer").fill("far")
    type_heights(tablet, {**HIGH_FRONT_LEFT, "RL": 204})
    tablet.press("Record the height check")
    expect(page.get_by_text("Kilometres as a number")).to_be_visible()
    page.get_by_label("Odometer").fill("51830,5")
    tablet.press("Record the height check")
    expect(page.get_by_text("is far from the target of")).to_be_visible()
    looked.at(page, "form")
    type_heights(tablet, HIGH_FRONT_LEFT)
    tablet.press("Record the height check")

    expect(page.get_by_role("row", name="Front left")).to_contain_text("outside")
    expect(page.get_by_role("row", name="Front left")).to_contain_text("+12.0")
    looked.at(page, "result")
    (check,) = checks_of(tablet)
    assert (check["odometer_km"], check["loading"], check["verdict"]) == (51830.5, "as_specified", "outside")
    assert check["recorded_by_name"] == tablet.bay.technician.membership.name
    assert looked.wrong == {}
    assert tablet.faults == []


def test_without_network_it_is_kept_over_a_reload_and_sent_afterwards(tablet: TabletInBay) -> None:
    page = tablet.page
    tablet.wait_until_worker_is_ready()
    tablet.open(f"#/check/{tablet.bay.vehicle.vin}")
    tablet.expect_heading("Height check")
    page.locator("#instrument").wait_for()
    tablet.context.set_offline(True)
    tablet.reload()
    tablet.expect_heading("Height check")
    page.get_by_label("Measured with").select_option("Something else: the uncertainty doubles")
    page.get_by_label("Otherwise: the heights are shown").check()
    type_heights(tablet, HIGH_FRONT_LEFT)
    tablet.press("Record the height check")
    expect(page.get_by_text("The height check is kept")).to_be_visible()
    tablet.open("#/tray")
    expect(page.get_by_role("heading", name="Height check")).to_be_visible()
    tablet.context.set_offline(False)
    expect(page.get_by_text("Everything that was recorded here is sent.")).to_be_visible(timeout=PATIENCE_MS)

    (check,) = checks_of(tablet)
    assert (check["loading"], check["instrument"], check["verdict"]) == ("other", None, None)

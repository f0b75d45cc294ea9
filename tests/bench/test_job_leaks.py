"""A leak test at the tablet: begun, left standing over a reload and over days, recorded, and told of in words."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import expect

from tests.bench.bay import TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.technician import NAMES, TechnicianAtTablet, opened, turn_to
from tests.bench.test_job_screens import Looked

STOOD = {"FL": 486, "FR": 487, "RL": 504, "RR": 505}
DAY_MS = 86_400_000
AGE_DRAFTS = """async (ms) => {
  const database = await new Promise((done) => {
    const request = indexedDB.open('levelbook bench', 1);
    request.onsuccess = () => done(request.result);
  });
  const table = database.transaction(['kept'], 'readwrite').objectStore('kept');
  const asked = (request) => new Promise((done) => { request.onsuccess = () => done(request.result); });
  for (const key of await asked(table.getAllKeys())) {
    const kept = await asked(table.get(key));
    if (kept && (kept.day || kept.until)) await asked(table.put({ ...kept, day: 'the day before yesterday',
      ...(kept.until && { until: kept.until - ms }) }, key));
  }
  database.close();
}"""
"""As if everything had been kept so many milliseconds ago."""


def type_heights(tablet: TabletInBay, heights: dict[str, int], degrees: str = "") -> None:
    for corner, height in heights.items():
        tablet.page.get_by_label(f"Height, {NAMES[corner]}").fill(str(height))
    tablet.labelled("Temperature where it stands").fill(degrees)


def leak_tests_of(tablet: TabletInBay, job_id: str) -> Any:
    return tablet.bay.get(f"/jobs/{job_id}/")["leak_tests"]


def test_a_test_outlives_reloads_and_days_and_its_result_is_told_in_words(tablet: TabletInBay) -> None:
    page, looked = tablet.page, Looked()
    job_id, technician = opened(tablet, "Where it stands")
    turn_to(technician, "Test for leaks")
    tablet.expect_heading("Test for leaks")
    expect(page.get_by_text("Keep head, hands and arms out of the gap")).to_be_visible()
    tablet.press("Keep the first heights")
    expect(page.get_by_text("Type the height in millimetres").first).to_be_visible()
    type_heights(tablet, {**STOOD, "RL": 204}, "-4,5")
    tablet.press("Keep the first heights")
    expect(page.get_by_text("is far from the target of")).to_be_visible()
    type_heights(tablet, STOOD, "-4,5")
    tablet.press("Keep the first heights")
    tablet.expect_heading("The leak test goes on")
    expect(page.get_by_text("So short a test hardly decides anything yet")).to_be_visible()
    looked.at(page, "goes on")
    page.get_by_label("Height, Front left").fill("480")

    tablet.wait_until_worker_is_ready()
    page.evaluate(AGE_DRAFTS, 2 * DAY_MS)
    tablet.context.set_offline(True)
    tablet.reload()
    tablet.expect_heading("The leak test goes on")
    expect(page.get_by_label("Height, Front left")).to_have_value("480")
    type_heights(tablet, {**STOOD, "RL": 404}, "-6")
    tablet.press("Record the leak test")
    tablet.expect_heading("What the leak test shows")
    expect(page.get_by_text("The leak test is kept")).to_be_visible()
    tablet.context.set_offline(False)
    expect(page.get_by_role("row", name="Rear left")).to_contain_text("Leaks: have it repaired")
    expect(page.get_by_role("row", name="Front left")).to_contain_text("A test of about")
    looked.at(page, "result")

    (test,) = leak_tests_of(tablet, job_id)
    assert (test["start"]["temperature_deg_c"], test["end"]["temperature_deg_c"]) == (-4.5, -6)
    assert test["start"]["heights"] == STOOD
    assert test["corners"]["RL"]["verdict"] == "outside"
    technician.follow("Go on")
    tablet.expect_heading("Where it stands")
    tablet.press("Go on")
    tablet.expect_heading("Stop and look")
    expect(page.get_by_text("The vehicle sinks faster than it may.").first).to_be_visible()
    looked.at(page, "stop")
    technician.follow("Test for leaks")
    tablet.expect_heading("Test for leaks")
    assert looked.wrong == {}


def test_what_was_begun_is_thrown_away_where_somebody_says_so_or_after_two_weeks(new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    job_id = tablet.open_job()
    TechnicianAtTablet(tablet).work(until=("Before you measure",))
    tablet.open(f"#/job/{job_id}/leak-test")
    tablet.page.locator("#instrument").wait_for()
    type_heights(tablet, STOOD)
    tablet.press("Keep the first heights")
    tablet.expect_heading("The leak test goes on")
    expect(tablet.page.get_by_text("No temperature was noted at first")).to_be_visible()
    tablet.open(f"#/job/{job_id}/other")
    expect(tablet.page.get_by_text("A leak test goes on since")).to_be_visible()
    tablet.page.get_by_role("link", name="Take the second heights").click()
    tablet.expect_heading("The leak test goes on")
    tablet.page.evaluate(AGE_DRAFTS, 13 * DAY_MS)
    tablet.reload()
    tablet.page.get_by_text("Begin anew …").click()
    tablet.press("Throw them away")
    tablet.expect_heading("Test for leaks")
    assert leak_tests_of(tablet, job_id) == []
    tablet.page.locator("#instrument").wait_for()
    type_heights(tablet, STOOD)
    tablet.press("Keep the first heights")
    tablet.expect_heading("The leak test goes on")
    tablet.page.evaluate(AGE_DRAFTS, 15 * DAY_MS)
    tablet.reload()
    tablet.expect_heading("Test for leaks")

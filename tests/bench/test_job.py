"""Whole jobs on the bench app, against the real service and a simulated vehicle."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Route, expect

from tests.bench.bay import PATIENCE_MS, TabletInBay
from tests.bench.technician import TechnicianAtTablet

ANSWER_WITH = """([path, body]) => {
  const asked = globalThis.fetch;
  globalThis.fetch = (to, ...rest) => (to === path ? Promise.resolve(Response.json(body)) : asked(to, ...rest));
}"""


def test_a_whole_job_from_reception_to_sign_off(tablet: TabletInBay) -> None:
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work()
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert job["state"] == "signed_off"
    assert set(job["readiness"]["merged"].values()) == {"pass"}
    assert job["setpoints"] == tablet.bay.simulated.read_setpoints()
    assert [each["severity"] for each in job["findings"] if each["severity"] != "note"] == []
    tablet.bay.work_in_the_background()
    (certificate,) = tablet.bay.get("/certificates/", job=job_id)["results"]
    expect(tablet.page.locator("#certificate")).to_have_text(str(certificate["number"]))
    what_was_found_is_noted_and_no_longer_asked_for(tablet, job)


def what_was_found_is_noted_and_no_longer_asked_for(tablet: TabletInBay, job: dict[str, Any]) -> None:
    """In the closed job, with the lengths as this person reads them."""
    twist = {
        "code": "large_warp",
        "severity": "note",
        "detail": "Twisted by −12.7 mm. Measure again.",
        "in_force": True,
    }
    assessment = {**job["assessment"], "findings": [twist]}
    body = {**job, "content_sha256": "other", "findings": [{**twist, "id": "x"}], "assessment": assessment}
    tablet.page.evaluate(ANSWER_WITH, [f"/api/v1/jobs/{job['id']}/", body])
    tablet.open("#/settings")
    tablet.page.get_by_label("inches").check()
    for screen in ("/result", "", "/findings"):
        tablet.open(f"#/job/{job['id']}{screen}")
        noted = tablet.page.get_by_text("What was noted during the job")
        expect(noted).to_be_visible()
        expect(tablet.page.get_by_text("Measure again")).not_to_be_visible()
        noted.click()
        expect(tablet.page.get_by_text("Twisted by −0.50 in. Measure again.")).to_be_visible()
    what_is_unfolded_stays_so_when_the_screen_is_drawn_again(tablet)


def what_is_unfolded_stays_so_when_the_screen_is_drawn_again(tablet: TabletInBay) -> None:
    for is_offline in (True, False):
        drawn = tablet.page.locator("main details").first.element_handle()
        tablet.context.set_offline(is_offline)
        tablet.page.wait_for_function("drawn => !drawn.isConnected", arg=drawn)
        expect(tablet.page.get_by_text("Twisted by −0.50 in. Measure again.")).to_be_visible()


def test_nothing_is_lost_or_doubled_when_the_network_goes_while_measuring_and_while_writing(
    tablet: TabletInBay,
) -> None:
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Before you measure",))
    tablet.context.set_offline(True)
    technician.work(until=("Look it over",))
    technician.record_round()
    tablet.expect_heading("Kept on this tablet")
    assert tablet.bay.get(f"/jobs/{job_id}/")["rounds"] == []
    tablet.context.set_offline(False)
    technician.work(until=("What to write",))
    technician.follow("Go on to the write")
    technician.left("What to write")
    tablet.context.set_offline(True)
    technician.work(until=("Look it over",))
    technician.record_round()
    tablet.expect_heading("Kept on this tablet")
    assert tablet.bay.get(f"/jobs/{job_id}/")["writes"] == []
    tablet.context.set_offline(False)
    technician.work()
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert job["state"] == "signed_off"
    assert len(job["rounds"]) == technician.screens.count("Look it over")
    assert len(job["writes"]) == technician.screens.count("Read back")
    assert [each["code"] for each in job["findings"] if each["severity"] != "note"] == []
    expect(tablet.page.get_by_text("All records sent")).to_be_visible()


def test_everything_that_can_be_done_without_network_is_done_in_one_go(tablet: TabletInBay) -> None:
    """Readiness, a round and a photo of it, all of it sent in order afterwards."""
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Is the vehicle ready?",))
    tablet.context.set_offline(True)
    technician.work(until=("Look it over",))
    technician.record_round()
    tablet.expect_heading("Kept on this tablet")
    technician.follow("Other steps")
    technician.follow("Take a photo")
    tablet.page.locator("#photo").set_input_files([photo()])
    tablet.press("Keep this photo")
    expect(tablet.page.get_by_text("3 records are on this tablet only")).to_be_visible()
    tablet.context.set_offline(False)
    expect(tablet.page.get_by_text("All records sent")).to_be_visible(timeout=PATIENCE_MS)
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert (len(job["readiness"]["records"]), len(job["rounds"]), len(job["photos"])) == (1, 1, 1)
    assert job["photos"][0]["round"] == job["rounds"][0]["id"]
    assert [each["code"] for each in job["findings"] if each["code"] == "measured_before_readiness"] == []


def test_a_round_half_measured_goes_on_after_the_page_was_loaded_anew(tablet: TabletInBay) -> None:
    tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Measure",))
    corner = technician.corner_now()
    assert corner is not None
    technician.type_reading(str(tablet.bay.read(corner)))
    tablet.reload()
    expect(tablet.page.locator(f".plan-{corner}")).to_contain_text("1 taken, 1 to take")
    technician.work()


def test_the_first_value_is_hidden_and_readings_that_disagree_are_repeated_until_there_are_four(
    tablet: TabletInBay,
) -> None:
    """As the service's own rule has it: at the corner, not after the vehicle was left."""
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Measure",))
    here = tablet.page.locator(".plan-corner[aria-current=step]")
    told = tablet.page.locator(".notice-review")
    assert technician.corner_now() == "FL"
    expect(tablet.page.locator(".bench-sent")).to_have_text("All records sent")
    technician.type_reading("490")
    expect(tablet.page.locator(".bench-sent")).to_have_text("Typed, not yet recorded")
    expect(here).to_contain_text("1 taken, 1 to take")
    expect(tablet.page.locator("main")).not_to_contain_text("490")
    technician.type_reading("493")
    expect(told).to_contain_text("Front left: the two readings differ by 3.0 mm")
    expect(told).to_contain_text("They may differ by 2.8 mm.")
    expect(told).to_contain_text("read this corner 1 more time.")
    expect(here).to_have_attribute("aria-label", "Front left")
    technician.type_reading("494")
    expect(told).to_contain_text("Front left: the readings differ by 4.0 mm")
    expect(told).to_contain_text("They may differ by 3.3 mm.")
    expect(here).to_have_attribute("aria-label", "Front left")
    technician.type_reading("499")
    expect(tablet.page.locator(".plan-FL")).to_contain_text("490.0 · 493.0 · 494.0 · 499.0")
    expect(here).to_have_attribute("aria-label", "Front right")
    technician.work(until=("Where it stands",))
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert job["next_step"] != "read_again"
    assert job["assessment"]["corners"]["FL"]["estimator"] == "median"
    expect(tablet.page.get_by_text("FL: the 4 readings differ by 9 mm")).to_contain_text("Their median counts.")


def test_a_height_in_inches_or_far_off_is_taken_only_when_it_is_read_twice(tablet: TabletInBay) -> None:
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Measure",))
    technician.type_reading("19,2")
    expect(tablet.page.locator(".notice-review")).to_contain_text("It looks like inches")
    expect(tablet.page.locator(".plan-FL")).to_contain_text("2 to take")
    technician.type_reading("300")
    expect(tablet.page.locator(".notice-review")).to_contain_text("far from the target of 486.0 mm")
    technician.type_reading("300")
    expect(tablet.page.locator(".plan-FL")).to_contain_text("1 taken, 1 to take")
    tablet.press("Take the last one back")
    expect(tablet.page.locator(".plan-FL")).to_contain_text("2 to take")
    technician.type_reading("300")
    technician.type_reading("300")
    technician.type_reading("301")
    technician.type_reading("301")
    technician.work(until=("Where it stands", "Stop and look"))
    readings = tablet.bay.get(f"/jobs/{job_id}/")["rounds"][0]["readings"]
    assert [(each["corner"], each["confirmed"]) for each in readings if each["confirmed"]] == [("FL", True)] * 2


def test_a_set_point_that_is_not_the_stored_one_is_told_before_it_is_a_record(tablet: TabletInBay) -> None:
    tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Read back",))
    stored = tablet.bay.simulated.read_setpoints()
    technician.type_counts({**stored, "FL": stored["FL"] + 1})
    told = tablet.page.locator(".notice-review")
    expect(told).to_contain_text(f"Front left: {stored['FL'] + 1} was read back, {stored['FL']} was to be stored")
    technician.type_counts(stored)
    expect(told).to_have_count(0)
    expect(tablet.page.get_by_text("All as it was to be stored")).to_be_visible()


def test_nothing_is_written_into_another_vehicle(tablet: TabletInBay) -> None:
    tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Write",))
    tablet.page.get_by_label("Last four of the VIN").fill("0000")
    tablet.press("This is the vehicle")
    expect(tablet.page.get_by_text("This job is for another vehicle")).to_be_visible()
    expect(tablet.page.get_by_role("button", name="They are written")).to_have_count(0)


def test_a_wrong_pin_signs_nothing(tablet: TabletInBay) -> None:
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Sign off",))
    tablet.press("Sign …")
    tablet.type_pin("0000")
    tablet.press("Sign")
    expect(tablet.page.locator("#pin-error")).to_contain_text("PIN")
    assert tablet.bay.get(f"/jobs/{job_id}/")["state"] != "signed_off"
    tablet.type_pin(tablet.bay.technician.pin)
    tablet.press("Sign")
    tablet.expect_heading("Signed off")
    assert tablet.bay.get(f"/jobs/{job_id}/")["state"] == "signed_off"


TO_SIGN = """() => new Promise((resolve) => {
  indexedDB.databases().then(async (all) => {
    const { name } = all.find((each) => each.name.startsWith('levelbook outbox'));
    indexedDB.open(name).onsuccess = ({ target }) => {
      const records = target.result.transaction('records').objectStore('records').getAll();
      records.onsuccess = () => resolve(records.result.filter((each) => each.state === 'to_sign').length);
    };
  });
})"""


def test_a_signature_whose_answer_was_lost_is_not_asked_for_again(tablet: TabletInBay) -> None:
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Sign off",))

    def lose_the_answer(route: Route) -> None:
        route.fetch()
        route.abort()

    tablet.page.route("**/sign-off/", lose_the_answer)
    technician.sign_off()
    expect(tablet.page.locator("#pin-error")).to_contain_text("The service does not answer")
    assert tablet.page.evaluate(TO_SIGN) == 1
    tablet.open("#/today")
    tablet.expect_heading("Today")
    tablet.open(f"#/job/{job_id}")
    tablet.expect_heading("Signed off")
    assert tablet.page.evaluate(TO_SIGN) == 0
    assert tablet.bay.get(f"/jobs/{job_id}/")["state"] == "signed_off"


def test_a_revoked_tablet_keeps_nothing_of_the_job(tablet: TabletInBay) -> None:
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Before you measure",))
    tablet.context.set_offline(True)
    technician.work(until=("Look it over",))
    technician.record_round()
    tablet.expect_heading("Kept on this tablet")
    assert kept_on_tablet(tablet.page) != []
    manager = tablet.bay.site.manager.client()
    (known,) = manager.get("/api/v1/tablets/").json()["results"]
    assert manager.delete(f"/api/v1/tablets/{known['id']}/").status_code == 204
    tablet.context.set_offline(False)
    expect(tablet.page.get_by_text("This tablet was revoked")).to_be_visible()
    expect(tablet.page.get_by_text(tablet.bay.vehicle.vin[-6:])).to_have_count(0)
    told = (job_id, tablet.bay.vehicle.vin, tablet.bay.technician.membership.name, "token")
    assert [each for each in kept_on_tablet(tablet.page) if any(word in each for word in told)] == []


KEPT = """async () => {
  const kept = [];
  for (const { name } of await indexedDB.databases()) {
    const asked = indexedDB.open(name);
    const database = await new Promise((done) => { asked.onsuccess = () => done(asked.result); });
    for (const store of database.objectStoreNames) {
      const all = database.transaction(store).objectStore(store).getAll();
      kept.push(...await new Promise((done) => { all.onsuccess = () => done(all.result); }));
    }
    database.close();
  }
  return [...kept.map((each) => JSON.stringify(each)), ...Object.keys(localStorage)];
}"""


def kept_on_tablet(page: Page) -> list[str]:
    return list(page.evaluate(KEPT))


def photo() -> Path:
    """Any picture will do."""
    return Path(__file__).parents[2] / "calibration/static/bench/icons/icon-192.png"

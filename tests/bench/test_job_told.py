"""What is said at once, at the place where something can still be done about it; and what is asked for only once."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page, expect

from tests.bench.bay import TabletInBay
from tests.bench.technician import TechnicianAtTablet, opened

IN_ITS_PLACE = """() => [...document.querySelectorAll('.bench-bar .actions > *')].map((each) => {
  const { x, y } = each.getBoundingClientRect();
  return [each.textContent, x, y];
})"""


def row(page: Page, corner: str) -> list[str]:
    """Stored now, to write."""
    cells = page.get_by_role("row", name=corner).first.locator("td").all_inner_texts()
    return [each.strip() for each in cells[:2]]


def test_a_wrong_read_back_says_the_corner_both_counts_what_is_needed_and_who_rules(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "Read back")
    page = tablet.page
    wanted = tablet.bay.get(f"/jobs/{job_id}/")["proposal"]["to_setpoints"]
    wrong = {**wanted, "FL": wanted["FL"] + 1}
    tablet.bay.simulated.write(wrong)
    tablet.context.set_offline(True)
    technician.read_back()
    tablet.expect_heading("Kept on this tablet")
    told = page.locator(".notice-review")
    said = f"Front left: {wanted['FL']} was to be written, the control unit answers {wrong['FL']}"
    expect(told).to_contain_text(said)
    tablet.context.set_offline(False)
    tablet.expect_heading("What to write")
    expect(told).to_contain_text(said)
    expect(told).to_contain_text("write again and read back")
    expect(told).to_contain_text("A manager rules on it before the sign-off")
    assert row(page, "Front left") == [str(wrong["FL"]), str(wanted["FL"])]
    technician.follow("Go on to the write")
    page.get_by_label("Last four of the VIN").fill(tablet.bay.vehicle.vin[-4:])
    tablet.press("This is the vehicle")
    assert row(page, "Front left") == [str(wrong["FL"]), str(wanted["FL"])]
    tablet.press("They are written")
    technician.read_back()
    tablet.expect_heading("Stop and look")
    expect(page.locator(".notice-stop")).to_contain_text(f"FL: {wanted['FL']} was to be stored, but {wrong['FL']}")


def test_a_mistyped_read_back_is_asked_about_before_it_is_a_record(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "Read back")
    page = tablet.page
    stored = tablet.bay.simulated.read_setpoints()
    technician.type_counts({**stored, "FR": stored["FR"] + 10})
    tablet.press("Record the write")
    asked = page.locator(".confirm-step")
    expect(asked).to_contain_text("Does your tool really show that?")
    expect(asked).to_be_focused()
    said = f"Front right: {stored['FR'] + 10} was read back, {stored['FR']} was to be stored"
    expect(page.locator(".notice-review")).to_contain_text(said)
    tablet.press("Correct what was typed")
    page.keyboard.type(str(stored["FR"]))
    expect(page.get_by_text("All as it was to be stored")).to_be_visible()
    expect(asked).to_have_count(0)
    tablet.press("Record the write")
    technician.left("Read back")
    tablet.expect_heading("Let it settle")
    expect(page.get_by_text("All records sent")).to_be_visible()
    (write,) = tablet.bay.get(f"/jobs/{job_id}/")["writes"]
    assert (write["read_back"], write["verified"]) == (stored, True)


def test_a_count_that_is_not_whole_is_said_to_be_none(tablet: TabletInBay) -> None:
    _job, technician = opened(tablet, "Stored set-points")
    technician.type_counts({**tablet.bay.simulated.read_setpoints(), "FL": "118.5"})  # type: ignore[dict-item]
    tablet.press("Look it over")
    expect(tablet.page.locator("#count-FL-error")).to_contain_text("“118.5” is no whole number")


def test_what_was_not_checked_comes_back_by_name(tablet: TabletInBay) -> None:
    _job, technician = opened(tablet, "Is the vehicle ready?")
    items = tablet.page.get_by_role("radiogroup").all()
    for item in items[:-1]:
        item.get_by_label("in order", exact=True).check()
    items[-1].get_by_label("not checked").check()
    tablet.press("Record the checks")
    expect(tablet.page.get_by_text("Still open: “No stored faults”.")).to_be_visible()
    expect(tablet.page.locator(".notice")).to_contain_text("Without an outcome that counts: no stored faults.")
    technician.work(until=("Before you measure",))


def test_from_the_signature_to_the_next_visit(tablet: TabletInBay) -> None:
    """Nothing moves under the finger at the signature; the document opens; the next odometer is looked at twice."""
    place = tablet.bay.site.bay()
    page = tablet.page
    job_id = tablet.open_job()
    tablet.expect_heading("Is the vehicle ready?")
    assert tablet.bay.get(f"/jobs/{job_id}/")["bay"] == str(place.pk)
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Let it settle",))
    tablet.bay.simulated.settle()
    tablet.press("It stands still: measure")
    expect(page.locator(".notice-review")).to_contain_text("Only 0 s of 120 s have passed")
    tablet.open(f"#/job/{job_id}/other")
    tablet.expect_heading("Other steps")
    page.go_back()
    tablet.expect_heading("Let it settle")
    tablet.press("Measure now")
    technician.left("Let it settle")
    technician.work(until=("Look it over",))
    expect(page.get_by_text("The wait for it to settle was cut short after 0 s; the round says so")).to_be_visible()
    technician.work(until=("Sign off",))
    first, second = tablet.bay.get(f"/jobs/{job_id}/")["rounds"][:2]
    assert (first["settling_cut_short_s"], second["settling_cut_short_s"]) == (None, 0)
    before = page.evaluate(IN_ITS_PLACE)
    tablet.press("Sign …")
    assert page.evaluate(IN_ITS_PLACE) == before
    tablet.type_pin(tablet.bay.technician.pin)
    tablet.press("Sign")
    tablet.expect_heading("Signed off")
    opens_its_document(tablet)
    asks_about_the_odometer(tablet)


def opens_its_document(tablet: TabletInBay) -> None:
    page = tablet.page
    expect(page.get_by_text("The document is being made.")).to_be_visible()
    tablet.context.set_offline(True)
    expect(page.get_by_text("There is no connection now: it shows here")).to_be_visible()
    tablet.bay.work_in_the_background()
    tablet.context.set_offline(False)
    way = page.get_by_role("link", name="Open the certificate")
    with page.expect_popup() as opened_page:
        way.click()
    expect(way).to_have_attribute("href", opened_page.value.url)
    assert opened_page.value.evaluate("document.contentType") == "application/pdf"
    opened_page.value.close()


def asks_about_the_odometer(tablet: TabletInBay) -> None:
    page, job_id = tablet.page, ""
    tablet.open(f"#/open/{tablet.bay.vehicle.vin}")
    told = page.locator("#reception .notice-review")
    for typed, said in (
        ("4821", "4\u202f821 km is less than the 48\u202f210 km of"),
        ("482100", "482\u202f100 km is far more than"),
    ):
        page.get_by_label("Odometer").fill(typed)
        tablet.press("Open the job")
        expect(told).to_contain_text(said)
    page.get_by_label("Odometer").fill("4821")
    tablet.press("Open the job")
    expect(told).to_contain_text("less than")
    tablet.press("Open the job")
    page.wait_for_url("**/#/job/*")
    job_id = page.url.rpartition("/")[2]
    tablet.expect_heading("Is the vehicle ready?")
    job: Any = tablet.bay.get(f"/jobs/{job_id}/")
    assert job["odometer_km"] == 4821


def test_a_note_by_itself_leaves_a_failure_standing_and_both_stay_in_sight(tablet: TabletInBay) -> None:
    job, technician = opened(tablet, "Is the vehicle ready?")
    technician.check_readiness()
    tablet.expect_heading("Before you measure")
    page = tablet.page
    tablet.open(f"#/job/{job}/readiness")
    page.locator("[aria-labelledby='check-fault_memory-label']").get_by_text("not in order", exact=True).click()
    tablet.press("Record the checks")
    below = page.locator(".checks + div .notice")
    expect(below).to_contain_text("Not in order: no stored faults")
    page.locator("#note-fault_memory").fill("C1234, height sensor")
    tablet.press("Record the checks")
    expect(page.get_by_text("Recorded: C1234, height sensor")).to_be_visible()
    merged: Any = tablet.bay.get(f"/jobs/{job}/")["readiness"]["merged"]
    assert merged["fault_memory"] == "fail"


def test_the_head_is_one_row_however_many_records_wait(tablet: TabletInBay) -> None:
    _job, technician = opened(tablet, "Is the vehicle ready?")
    page = tablet.page
    one_row = page.locator(".bench-top").bounding_box()
    tablet.context.set_offline(True)
    technician.check_readiness()
    held = page.locator(".bench-held")
    expect(held).to_contain_text("1 record is on this tablet only")
    for width in (1180, 820):
        page.set_viewport_size({"width": width, "height": 820})
        assert page.locator(".bench-top").bounding_box()["height"] == one_row["height"]  # type: ignore[index]
        boxes = [page.locator(each).bounding_box() for each in (".bench-home", ".bench-held", ".bench-person")]
        middles = {round(each["y"] + each["height"] / 2) for each in boxes if each}
        assert len(middles) == 1

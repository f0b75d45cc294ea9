"""The screens around the job as people meet them: axe, sizes of what is pressed, enlarged, plain HTTP."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.test import override_settings
from playwright.sync_api import Playwright, expect

from tests.bench.bay import PATIENCE_MS, Bay, TabletInBay
from tests.bench.conftest import NewTablet
from tests.browser.seen import axe_findings, open_all, sideways_px, targets

LEAST_TARGET_PX = 56
ENLARGED_FOURFOLD = {"width": 1280 // 4, "height": 1024 // 4}


def walk(tablet: TabletInBay) -> Iterator[str]:
    """Bring every screen before the eyes, one after the other; gives its name."""
    page, vehicle = tablet.page, tablet.bay.vehicle
    tablet.open()
    tablet.expect_heading("Enrol this tablet")
    yield "enrolment"
    tablet.enrol()
    name = page.get_by_role("button", name=tablet.bay.technician.membership.name)
    name.wait_for()
    yield "people"
    name.click()
    tablet.type_pin("0000")
    tablet.press("Start")
    expect(page.get_by_role("alert")).to_contain_text("attempts")
    yield "PIN"
    tablet.type_pin(tablet.bay.technician.pin)
    tablet.press("Start")
    expect(page.get_by_text("No job is open")).to_be_visible()
    page.get_by_label("Find a vehicle").fill(vehicle.vin)
    expect(page.get_by_role("link", name=vehicle.registration)).to_be_visible()
    yield "today"
    tablet.open(f"#/vehicle/{vehicle.vin}")
    expect(page.get_by_role("button", name="Open a job")).to_be_visible()
    yield "vehicle"
    tablet.open(f"#/open/{vehicle.vin}")
    page.get_by_label("Odometer").fill("far")
    tablet.press("Open the job")
    yield "reception"
    tablet.open("#/settings")
    tablet.expect_heading("Settings")
    yield "settings"
    tablet.open_job()
    expect(page.get_by_role("group", name="Vehicle")).to_be_visible()
    tablet.wait_until_worker_is_ready()
    tablet.context.set_offline(True)
    tablet.open_job("48300")
    tablet.expect_heading("The job is being opened")
    yield "being opened"
    tablet.open("#/tray")
    expect(page.get_by_text("Waiting to be sent")).to_be_visible()
    yield "waiting"
    tablet.context.set_offline(False)
    expect(page.get_by_role("heading", name="Not accepted")).to_be_visible(timeout=PATIENCE_MS)
    yield "not accepted"


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_and_everything_can_be_pressed_with_gloves(new_tablet: NewTablet, theme: str) -> None:
    tablet = new_tablet(is_enrolled=False, color_scheme=theme, viewport={"width": 820, "height": 1180})
    for screen in walk(tablet):
        open_all(tablet.page)
        assert axe_findings(tablet.page) == [], screen
        small = [each for each in targets(tablet.page) if not each.is_in_text and each.height < LEAST_TARGET_PX]
        assert small == [], screen
        assert sideways_px(tablet.page) <= 0, screen


def test_a_label_that_is_missing_is_found(new_tablet: NewTablet) -> None:
    tablet = new_tablet(is_enrolled=False)
    tablet.open()
    tablet.expect_heading("Enrol this tablet")
    tablet.page.eval_on_selector("label[for=code]", "label => label.remove()")
    assert [each for each in axe_findings(tablet.page) if each.startswith("label")]


def test_enlarged_fourfold_nothing_lies_beside_the_window(new_tablet: NewTablet) -> None:
    tablet = new_tablet(is_enrolled=False, viewport=ENLARGED_FOURFOLD)
    for screen in walk(tablet):
        assert sideways_px(tablet.page) <= 0, screen


def test_without_a_mouse_one_gets_from_the_pin_to_an_open_job(new_tablet: NewTablet) -> None:
    tablet = new_tablet(is_signed_in=False)
    keyboard = tablet.page.keyboard
    tablet.page.get_by_role("button", name=tablet.bay.technician.membership.name).focus()
    keyboard.press("Enter")
    expect(tablet.page.get_by_label("PIN of")).to_be_focused()
    keyboard.type(tablet.bay.technician.pin)
    keyboard.press("Enter")
    tablet.expect_heading("Today")
    expect(tablet.page.locator("main")).to_be_focused()
    tablet.page.get_by_label("Find a vehicle").focus()
    keyboard.type(tablet.bay.vehicle.vin)
    keyboard.press("Enter")
    tablet.page.get_by_role("button", name="Open a job").focus()
    keyboard.press("Enter")
    tablet.page.get_by_label("Odometer").focus()
    keyboard.type("48210")
    keyboard.press("Enter")
    tablet.page.wait_for_url("**/#/job/*")


@pytest.fixture
def over_plain_http(bay: Bay, playwright: Playwright, chromium_path: str) -> Iterator[TabletInBay]:
    """The same service under a name that is not this machine's: browsers call that insecure."""
    port = bay.origin.rpartition(":")[2]
    rules = "--host-resolver-rules=MAP levelbook.example 127.0.0.1"
    browser = playwright.chromium.launch(executable_path=chromium_path, args=[rules])
    bay.origin = f"http://levelbook.example:{port}"
    with override_settings(ALLOWED_HOSTS=["levelbook.example", "testserver"]):
        yield TabletInBay.unpacked(bay, browser.new_context())
    browser.close()


def test_over_plain_http_it_says_what_it_cannot_do_and_records_all_the_same(over_plain_http: TabletInBay) -> None:
    tablet = over_plain_http
    tablet.enrol()
    tablet.sign_in()
    expect(tablet.page.get_by_text("This tablet cannot work offline")).to_be_visible()
    job = tablet.open_job()
    expect(tablet.page.get_by_role("group", name="Vehicle")).to_be_visible()
    assert [each["id"] for each in tablet.bay.get("/jobs/")["results"]] == [job]
    assert tablet.faults == []

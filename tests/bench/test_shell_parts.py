"""The app comes in parts, the first screen's before the others; a fault in it is told as what it is; and what is shown
is what the address asks for."""

from __future__ import annotations

from playwright.sync_api import Route, expect

from tests.bench.bay import TabletInBay
from tests.bench.conftest import NewTablet


def test_a_part_that_does_not_come_is_told_and_costs_no_code(new_tablet: NewTablet) -> None:
    tablet = new_tablet(is_enrolled=False, service_workers="block")  # A worker that is installed has every part.
    tablet.page.route("**/bench/app/shell.js", lambda route: route.abort())
    tablet.open(f"#enrol={tablet.bay.enrolment_code()}")
    tablet.expect_heading("Enrol this tablet")
    told = tablet.page.get_by_text("The app did not load completely")
    expect(told).to_have_count(1)
    tablet.press("Enrol")
    expect(told).to_have_count(2)
    tablet.page.unroute("**/bench/app/shell.js")
    tablet.press("Load it")
    expect(tablet.page.get_by_label("Name of this tablet")).to_be_visible()
    tablet.enrol()


def test_a_code_that_is_scanned_before_the_other_parts_are_there_is_filled_in(new_tablet: NewTablet) -> None:
    tablet, held, slow = new_tablet(is_enrolled=False, service_workers="block"), list[Route](), ["the way to it"]

    def hold(route: Route) -> None:
        if slow:
            held.append(route)
        else:
            route.continue_()

    tablet.page.route("**/bench/app/rest.js", hold)
    tablet.open()
    tablet.expect_heading("Enrol this tablet")
    tablet.page.evaluate("() => { location.hash = '#enrol=AB%20CD'; }")
    expect(tablet.labelled("Code")).to_have_value("AB CD")
    slow.clear()  # On a slow machine that part is asked for only after this.
    for route in held:
        route.continue_()
    tablet.enrol()


def test_a_fault_of_the_app_is_not_told_as_one_of_the_storage_and_does_not_stop_it(tablet: TabletInBay) -> None:
    tablet.page.evaluate(
        """() => Object.defineProperty(document, "title", { configurable: true, set() {
             delete document.title;
             throw new DOMException("a fault", "SyntaxError"); } })"""
    )
    tablet.page.evaluate("() => { location.hash = '#/settings'; }")
    tablet.page.wait_for_function("() => !Object.hasOwn(document, 'title')")
    tablet.page.evaluate("() => { location.hash = '#/tray'; }")
    tablet.expect_heading("Only on this tablet")
    expect(tablet.page.get_by_text("not kept")).to_have_count(0)
    assert [fault.splitlines()[0] for fault in tablet.faults] == ["SyntaxError: a fault"]
    tablet.faults.clear()


HOLD_READS_BACK = """async (name) => {
  const asked = indexedDB.open(name);
  await new Promise((done) => { asked.onsuccess = done; });
  const table = asked.result.transaction(["records"], "readwrite").objectStore("records");
  window.areReadsHeld = true;
  const hold = () => {
    if (window.areReadsHeld) table.count().onsuccess = hold;
    else asked.result.close();
  };
  hold();
}"""
"""While a transaction writes, whatever reads the same table waits."""
LET_READS_GO = "() => { window.areReadsHeld = false; }"
NOTE_HEADINGS = """() => {
  window.headings = [];
  const note = () => window.headings.push(document.querySelector("h1").textContent);
  new MutationObserver(note).observe(document.body, { childList: true, subtree: true });
}"""
TURN_TO = """(hash) => new Promise((done) => {
  addEventListener("hashchange", () => setTimeout(done), { once: true });
  location.hash = hash;
})"""
"""And until the app has begun to gather what that screen shows."""


def test_a_screen_whose_address_was_left_while_it_was_gathered_is_not_shown(tablet: TabletInBay) -> None:
    page = tablet.page
    page.wait_for_load_state("networkidle")
    page.evaluate(NOTE_HEADINGS)
    page.evaluate(HOLD_READS_BACK, f"levelbook outbox {tablet.bay.site.workshop.pk}")
    page.evaluate(TURN_TO, "#/settings")
    page.evaluate(TURN_TO, "#/tray")
    page.evaluate(LET_READS_GO)
    tablet.expect_heading("Only on this tablet")
    assert "Settings" not in page.evaluate("() => window.headings")
    page.evaluate(TURN_TO, "#/settings")
    tablet.expect_heading("Settings")
    assert "Settings" in page.evaluate("() => window.headings")

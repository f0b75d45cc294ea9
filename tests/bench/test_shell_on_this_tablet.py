"""What the shell says of this tablet: where its records are kept, and its settings."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.bench.bay import PATIENCE_MS, TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.test_shell import status


class TestStorage:
    def test_refused_it_says_so_and_records_nothing(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet(is_enrolled=False)
        tablet.context.add_init_script(
            "IDBFactory.prototype.open = () => { throw new DOMException('no', 'SecurityError'); };"
        )
        tablet.open()
        tablet.expect_heading("Records cannot be kept on this tablet")
        expect(tablet.page.get_by_role("button")).to_have_count(0)

    def test_full_it_says_that_this_record_was_not_kept(self, tablet: TabletInBay) -> None:
        tablet.open(f"#/open/{tablet.bay.vehicle.vin}")
        tablet.page.get_by_label("Odometer").fill("48210")
        tablet.page.evaluate(
            """() => { IDBObjectStore.prototype.add = function () {
                 this.transaction.abort();
                 throw new DOMException("no room", "QuotaExceededError"); }; }"""
        )
        tablet.press("Open the job")
        expect(tablet.page.get_by_text("No room: this record was not kept")).to_be_visible()
        expect(tablet.page.get_by_label("Odometer")).to_have_value("48210")
        tablet.faults.clear()  # the refusal reaches the page's console as well

    def test_persistence_is_asked_for(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet(is_enrolled=False)
        tablet.context.add_init_script(
            "window.asked = 0; StorageManager.prototype.persist = async () => { window.asked += 1; return true; };"
        )
        tablet.open()
        tablet.expect_heading("Enrol this tablet")
        tablet.page.wait_for_function("() => window.asked === 1", timeout=PATIENCE_MS)


class TestSettings:
    def test_inches_are_remembered_with_the_person_on_every_tablet(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet()
        tablet.open("#/settings")
        with tablet.page.expect_response("**/api/v1/me/units/"):
            tablet.page.get_by_label("inches").check()
        assert tablet.bay.get("/me/")["units"]["length"] == "inch"
        other = new_tablet()
        other.open("#/settings")
        expect(other.page.get_by_label("inches")).to_be_checked()

    def test_hand_and_light_are_remembered_with_the_tablet(self, tablet: TabletInBay) -> None:
        tablet.open("#/settings")
        tablet.page.get_by_label("left").check()
        tablet.page.get_by_label("dark, for a dark bay").check()
        tablet.reload()
        tablet.expect_heading("Settings")
        root = tablet.page.locator("html")
        expect(root).to_have_attribute("data-hand", "left")
        expect(root).to_have_attribute("data-theme", "dark")

    def test_somebody_else_takes_over(self, tablet: TabletInBay) -> None:
        tablet.open("#/settings")
        tablet.press(f"Sign out {tablet.bay.technician.membership.name}")
        tablet.expect_heading("Who is at the tablet?")
        manager = tablet.bay.site.manager
        tablet.sign_in(manager)
        status(tablet, manager.membership.name)

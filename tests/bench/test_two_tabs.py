"""One tablet, two tabs at the same job: what one of them records the other no longer offers."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.bench.bay import PATIENCE_MS, TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.technician import TechnicianAtTablet, opened


def test_a_round_that_one_tab_has_recorded_is_not_there_to_be_recorded_in_the_other(tablet: TabletInBay) -> None:
    job, _ = opened(tablet, "Look it over")
    other = TabletInBay.unpacked(tablet.bay, tablet.context)
    other.open(tablet.page.url.partition("/bench/")[2])
    other.expect_heading("Look it over")
    TechnicianAtTablet(other).record_round()
    look = tablet.page.get_by_role("heading", level=1, name="Look it over", exact=True)
    expect(look).not_to_be_visible(timeout=PATIENCE_MS)
    expect(tablet.page.locator(".bench-top")).to_contain_text("All records sent")
    assert len(tablet.bay.get(f"/jobs/{job}/")["rounds"]) == 1
    assert [*tablet.faults, *other.faults] == []


HEARS_NOTHING = "globalThis.BroadcastChannel = class { postMessage() {} close() {} };"


def test_a_round_that_two_tabs_record_at_once_is_one_round(new_tablet: NewTablet) -> None:
    """Neither hears of the other, as within the instant before a message has come."""
    tablet = new_tablet()
    tablet.context.add_init_script(HEARS_NOTHING)
    tablet.page.reload()
    job, first = opened(tablet, "Look it over")
    other = TabletInBay.unpacked(tablet.bay, tablet.context)
    other.open(tablet.page.url.partition("/bench/")[2])
    other.expect_heading("Look it over")
    second = TechnicianAtTablet(other)
    for technician in (first, second):
        technician.tablet.labelled("stood still").check()
    for technician in (first, second):
        technician.press("Record this round")
    for technician in (first, second):
        technician.left("Look it over")
        expect(technician.page.locator(".bench-top")).to_contain_text("All records sent")
    assert len(tablet.bay.get(f"/jobs/{job}/")["rounds"]) == 1
    assert [*tablet.faults, *other.faults] == []

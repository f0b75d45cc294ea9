"""While a record is being written to the disk: nobody says that all is sent, nobody is called back to the job."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.bench.bay import TabletInBay
from tests.bench.technician import opened
from tests.bench.test_job import photo

SLOW_DISK = """() => {
  const { arrayBuffer } = Blob.prototype;
  const ready = new Promise((resolve) => (window.diskIsFree = resolve));
  Blob.prototype.arrayBuffer = function () { return ready.then(() => arrayBuffer.call(this)); };
}"""


def test_the_header_says_so_and_whoever_went_elsewhere_meanwhile_stays_there(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "Where it stands")
    page, head = tablet.page, tablet.page.locator(".bench-status")
    expect(head).to_contain_text("All records sent")
    page.evaluate("id => location.hash = `#/job/${id}/photo`", job_id)
    page.locator("#photo").set_input_files([photo()])
    page.evaluate(SLOW_DISK)
    tablet.press("Keep this photo")
    expect(head).to_contain_text("Being recorded")
    technician.follow("Today")
    tablet.expect_heading("Today")
    expect(head).to_contain_text("Being recorded")
    page.evaluate("() => window.diskIsFree()")
    expect(page.get_by_text("The photo is kept")).to_be_visible()
    expect(head).to_contain_text("All records sent")
    assert len(tablet.bay.get(f"/jobs/{job_id}/")["photos"]) == 1
    tablet.expect_heading("Today")


def test_a_round_is_at_no_moment_said_to_be_sent_before_it_is_kept(tablet: TabletInBay) -> None:
    _job, technician = opened(tablet, "Look it over")
    tablet.context.set_offline(True)
    expect(tablet.page.locator(".bench-status")).to_contain_text("no connection")
    tablet.page.evaluate(
        """() => {
          window.said = [];
          const look = () => window.said.push(document.querySelector('.bench-status').textContent);
          new MutationObserver(look).observe(document.querySelector('.bench-top'), { childList: true, subtree: true });
        }"""
    )
    technician.record_round()
    expect(tablet.page.locator(".bench-held")).to_contain_text("1 record is on this tablet only")
    said: list[str] = tablet.page.evaluate("() => window.said")
    assert [each for each in said if "All records sent" in each] == []
    assert any("Being recorded" in each for each in said), said

"""What must be seen together is in one view, whatever is said on the screen."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from tests.bench.conftest import NewTablet
from tests.bench.technician import opened
from tests.bench.test_job import ANSWER_WITH

SIZES = {"the long way": (1180, 820), "low": (1024, 600), "upright": (820, 1180), "a phone": (390, 844)}
OUT_OF_VIEW = """() => {
  const bar = document.querySelector('.bench-bar').getBoundingClientRect();
  const seen = ['#take .field-label', '#reading', '.bench-bar .button-main:not([hidden])', ...SEEN];
  const all = seen.flatMap((each) => [...document.querySelectorAll(each)].map((found) => [each, found]));
  const missing = seen.filter((each) => !document.querySelector(each));
  return [...missing, ...all.flatMap(([name, each]) => {
    const { top, bottom } = each.getBoundingClientRect();
    const floor = each.closest('.bench-bar') ? innerHeight : bar.top;
    return top >= 0 && bottom <= floor + 0.5 ? [] : [`${name}: ${top} to ${bottom} of ${floor}`];
  })];
}"""
IN_VIEW = """(said) => {
  const told = [...document.querySelectorAll('.notice')].find(({ textContent }) => textContent.includes(said));
  const { top, bottom } = told?.getBoundingClientRect() ?? {};
  return top >= 0 && bottom <= document.querySelector('.bench-bar').getBoundingClientRect().top;
}"""
KEYS, SAID = "'#take .keypad-key'", "'.measuring-words .notice'"


def out_of_view(page: Page, *seen: str) -> list[str]:
    found: list[str] = page.evaluate(OUT_OF_VIEW.replace("SEEN", f"[{', '.join(seen)}]"))
    return found


def test_keys_corner_figure_and_button_are_in_one_view_with_what_is_said(new_tablet: NewTablet) -> None:
    """In German, whose texts are longer; of the height to type, and of readings that disagree."""
    tablet = new_tablet(language="de")
    page, (_job, technician) = tablet.page, opened(tablet, "Measure")
    wrong: dict[str, list[str]] = {}
    for name, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        tablet.reload()
        tablet.expect_heading("Measure")
        page.wait_for_function("document.activeElement?.id === 'reading'")
        wrong[name] = out_of_view(page, KEYS)
        keys = page.locator("#take .keypad").bounding_box()
        technician.type_reading("490")
        technician.type_reading("493")
        expect(page.locator(".measuring-words .notice")).to_be_visible()
        wrong[name] += out_of_view(page, KEYS, SAID)
        if name != "a phone" and page.locator("#take .keypad").bounding_box() != keys:
            wrong[name].append("the keys moved")
        technician.type_reading("19,2")
        expect(page.locator(".measuring-words .notice")).to_contain_text("Zoll")
        wrong[name] += out_of_view(page, KEYS, SAID)
        for _ in range(3):
            tablet.press("Take the last one back")
    assert wrong == {name: [] for name in SIZES}
    page.set_viewport_size({"width": 1180, "height": 520})
    assert out_of_view(page, KEYS) != []


def test_a_twist_is_seen_before_a_proposal_is_asked_for_on_a_low_tablet(new_tablet: NewTablet) -> None:
    """In German, whose texts are longer."""
    tablet = new_tablet(language="de", viewport={"width": 1024, "height": 600})
    job_id, _technician = opened(tablet, "Where it stands")
    page, job = tablet.page, tablet.bay.get(f"/jobs/{job_id}/")
    twist = {
        "code": "large_warp",
        "severity": "note",
        "detail": "Der Aufbau ist um −12,7 ± 2,1 mm verwunden. Prüfen Sie, ob ein Rad erhöht steht. Messen Sie neu.",
    }
    body = {**job, "content_sha256": "other", "assessment": {**job["assessment"], "findings": [twist]}}
    page.evaluate(ANSWER_WITH, [f"/api/v1/jobs/{job_id}/", body])
    page.evaluate("id => location.hash = `#/job/${id}/result`", job_id)
    expect(page.locator(".notice", has_text="verwunden")).to_be_visible()
    page.wait_for_function(IN_VIEW, arg="verwunden")  # It may be drawn once more meanwhile.

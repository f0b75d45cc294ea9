"""Each screen of a job: nothing for axe, large enough for gloves, no wider than the tablet, in both themes and ways."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from tests.bench.bay import TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.technician import TechnicianAtTablet
from tests.browser.seen import axe_findings, open_all, pressable_places, sideways_px, tabbed_through, targets

LEAST_TARGET_PX = 56
TABLETS = {
    "light, the long way": {"color_scheme": "light", "viewport": {"width": 1180, "height": 820}},
    "dark, upright": {"color_scheme": "dark", "viewport": {"width": 820, "height": 1180}},
}
SIDE_SCREENS = {
    "other": "Other steps",
    "findings": "What was found",
    "event": "What was mended",
    "by-hand": "Set-points by hand",
    "go-back": "Back to the set-points as found",
    "pause": "Pause the job",
    "end": "End the job",
    "photo": "Photo",
    "readiness": "Is the vehicle ready?",
    "measure": "Before you measure",
    "paper": "From the paper worksheet",
    "leak-test": "Test for leaks",
    "leak-result": "What the leak test shows",
    "tyres": "Tyres fitted",
    "written": "Written otherwise",
    "concession": "Ask for other targets",
    "refile": "Wrong vehicle",
    "decide": "Decide",
}
"""By the name in the address, with the heading."""
COME_LATER = {
    "measure": ("#instrument", "#reader"),
    "leak-test": ("#instrument",),
    "paper": ("#instrument", "#measurer"),
}
"""What is read from the service after the screen is there."""


@dataclass
class Looked:
    """What was wrong with the screens that were looked at."""

    wrong: dict[str, list[str]] = field(default_factory=dict)

    def at(self, page: Page, heading: str) -> None:
        open_all(page)
        self._note(page, heading, [])

    def with_keyboard(self, page: Page, heading: str) -> None:
        """The same, and whether Tab comes to everything, visibly."""
        open_all(page)
        reached = tabbed_through(page)
        missed = pressable_places(page).keys() - {focus.place for focus in reached}
        unseen = [f"not seen to have the focus: {each.name}" for each in reached if not each.is_visible]
        self._note(page, heading, [*(f"not reached: {pressable_places(page)[place]}" for place in missed), *unseen])

    def _note(self, page: Page, heading: str, more: list[str]) -> None:
        found = [*more, *axe_findings(page), *too_small(page)]
        if sideways_px(page) > 0:
            found.append(f"{sideways_px(page)} px too wide")
        if found:
            self.wrong[heading] = found


def too_small(page: Page) -> list[str]:
    return [
        f"{each.width:.0f} × {each.height:.0f}: {each.name}"
        for each in targets(page)
        if not each.is_in_text and min(each.width, each.height) < LEAST_TARGET_PX
    ]


@pytest.mark.parametrize("profile", TABLETS.values(), ids=TABLETS.keys())
def test_every_screen_on_the_way_to_the_signature(new_tablet: NewTablet, profile: dict[str, Any]) -> None:
    tablet, looked = new_tablet(**profile), Looked()
    tablet.open_job()
    TechnicianAtTablet(tablet, seen=looked.at).work()
    assert looked.wrong == {}


@pytest.mark.parametrize("profile", TABLETS.values(), ids=TABLETS.keys())
def test_every_screen_beside_the_way(new_tablet: NewTablet, profile: dict[str, Any]) -> None:
    tablet, looked = new_tablet(**profile), Looked()
    job_id = tablet.open_job()
    TechnicianAtTablet(tablet).work(until=("Where it stands",))
    for name, heading in SIDE_SCREENS.items():
        tablet.open(f"#/job/{job_id}/{name}")
        tablet.expect_heading(heading)
        for late in COME_LATER.get(name, ()):
            tablet.page.locator(late).wait_for()
        looked.with_keyboard(tablet.page, heading)
    tablet.open(f"#/job/{job_id}/result")
    tablet.expect_heading("Where it stands")
    open_all(tablet.page)
    tablet.page.get_by_role("button", name="Strike out").first.click()
    tablet.expect_heading("Strike out a reading")
    looked.at(tablet.page, "strike")
    paused(tablet, job_id)
    looked.at(tablet.page, "paused")
    assert looked.wrong == {}


def paused(tablet: TabletInBay, job_id: str) -> None:
    tablet.open(f"#/job/{job_id}/pause")
    tablet.page.get_by_label("What is waited for").fill("A linkage rod")
    tablet.press("Pause")
    tablet.expect_heading("The job is paused")


def test_an_open_job_is_not_said_to_be_on_its_way_while_its_screens_are_being_fetched(new_tablet: NewTablet) -> None:
    tablet = new_tablet(service_workers="block")
    tablet.open_job()
    tablet.expect_heading("Is the vehicle ready?")
    held: list[Route] = []
    tablet.page.route("**/screens/job/index.js", lambda route: held.append(route))
    with tablet.page.expect_request("**/screens/job/index.js"):
        tablet.page.reload(wait_until="commit")
    tablet.expect_heading("Job")
    expect(tablet.page.locator("main")).to_contain_text("Reading the job")
    held[0].continue_()
    tablet.expect_heading("Is the vehicle ready?")

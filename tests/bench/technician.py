"""A technician at the tablet who knows nothing but what the screen says, and presses what a person would press."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from playwright.sync_api import Error, Page, expect

from reports.demo.simulated_vehicle import CORNER_NAMES
from tests.bench.bay import PATIENCE_MS, TabletInBay

MOST_SCREENS = 60
NAMES = dict(zip(CORNER_NAMES, ("Front left", "Front right", "Rear left", "Rear right"), strict=True))
ENDINGS = ("Signed off", "Ended", "Back at earlier set-points")
WAITING = (
    "Kept, and on its way",
    "Kept on this tablet",
    "The job is being opened",
    "Job",
    "Open a job",
    "Levelbook bench",
)

Seen = Callable[[Page, str], None]


def see_nothing(_page: Page, _heading: str) -> None:
    """Whoever has no wish to look."""


@dataclass
class TechnicianAtTablet:
    """Follows the screens; `seen` is told of each before anything is done on it."""

    tablet: TabletInBay
    seen: Seen = see_nothing
    screens: list[str] = field(default_factory=list)

    @property
    def page(self) -> Page:
        return self.tablet.page

    def work(self, until: tuple[str, ...] = ENDINGS) -> None:
        """From screen to screen until one of these headings."""
        for _ in range(MOST_SCREENS):
            heading = self._next_heading(until)
            self.screens.append(heading)
            self.seen(self.page, heading)
            if heading in until:
                return
            self._do(heading)
        raise AssertionError(f"no end: {self.screens}")

    def heading(self) -> str:
        """Of the screen as it stands."""
        return self.page.get_by_role("heading", level=1).inner_text()

    def _next_heading(self, until: tuple[str, ...]) -> str:
        """In English, where it is a known one. What is on its way to the service is waited for."""
        script = "(waiting) => [document.querySelector('h1').textContent].find((each) => !waiting.includes(each))"
        says = self.tablet.says
        found = self.page.wait_for_function(script, arg=[says(each) for each in WAITING], timeout=PATIENCE_MS)
        heading = str(found.json_value())
        return next((each for each in (*self._ways(), *ENDINGS, *until) if says(each) == heading), heading)

    def _ways(self) -> dict[str, Callable[[], None]]:
        """What is done on a screen, by its heading."""
        return {
            "Is the vehicle ready?": self.check_readiness,
            "Before you measure": lambda: self.press("Begin measuring"),
            "A round is begun": lambda: self.follow("Go on measuring"),
            "Measure": self.read_corners,
            "Let it settle": self.settle,
            "A few more readings": lambda: self.press("Begin reading"),
            "Read again": self.read_corners,
            "Stored set-points": self.type_setpoints,
            "Look it over": self.record_round,
            "Where it stands": self.look_at_result,
            "What to write": lambda: self.follow("Go on to the write"),
            "Back to earlier set-points": lambda: self.follow("Go on to the write"),
            "Write": self.write,
            "Read back": self.read_back,
            "Sign off": self.sign_off,
        }

    def _do(self, heading: str) -> None:
        ways = self._ways()
        assert heading in ways, f"nobody told the technician what to do at “{heading}”: {self.page.inner_text('main')}"
        try:
            ways[heading]()
            self.left(heading)
        except (Error, AssertionError) as error:
            error.add_note(f"After {self.screens}, the screen says: {self.page.inner_text('body')}")
            raise

    def press(self, name: str) -> None:
        self.tablet.press(name)

    def follow(self, name: str) -> None:
        self.page.get_by_role("link", name=self.tablet.says(name), exact=True).click()

    def left(self, heading: str) -> None:
        """The screen has given way to another."""
        left = self.page.get_by_role("heading", level=1, name=self.tablet.says(heading), exact=True)
        expect(left).not_to_be_visible(timeout=PATIENCE_MS)

    def check_readiness(self) -> None:
        for item in self.page.get_by_role("radiogroup").all():
            item.get_by_label(self.tablet.says("in order"), exact=True).check()
        self.press("Record the checks")

    def settle(self) -> None:
        """It is asked once whether the time at rest may be cut short."""
        self.tablet.bay.simulated.settle()
        self.press("It stands still: measure")
        self.press("Measure now")

    def read_corners(self) -> None:
        """Wherever the plan says, until there is nothing left to read."""
        while (corner := self.corner_now()) is not None:
            self.type_reading(str(self.tablet.bay.read(corner)))
        self.press("Go on")

    def corner_now(self) -> str | None:
        name = self.page.locator(".plan").evaluate(
            "plan => plan.querySelector('.plan-corner[aria-current=step]')?.getAttribute('aria-label') ?? null"
        )
        return next((corner for corner, each in NAMES.items() if self.tablet.says(each) == name), None)

    def type_reading(self, text: str) -> None:
        """As a gauge does: figures, then Enter."""
        self.page.locator("#reading").focus()
        self.page.keyboard.type(text)
        self.page.keyboard.press("Enter")

    def type_setpoints(self) -> None:
        self.type_counts(self.tablet.bay.simulated.read_setpoints())
        self.press("Look it over")

    def type_counts(self, counts: dict[str, int]) -> None:
        for corner, count in counts.items():
            label = self.tablet.says("Set-point, %(corner)s") % {"corner": self.tablet.says(NAMES[corner])}
            self.page.get_by_label(label).fill(str(count))

    def record_round(self) -> None:
        self.tablet.labelled("stood still").check()
        self.press("Record this round")

    def look_at_result(self) -> None:
        self.page.locator(".bench-bar .button-main").click()

    def write(self) -> None:
        """The right vehicle first; then with the diagnostic tool; then two presses."""
        self.tablet.labelled("Last four of the VIN").fill(self.tablet.bay.vehicle.vin[-4:])
        self.press("This is the vehicle")
        self.store_in_vehicle()
        self.press("They are written")

    def store_in_vehicle(self) -> None:
        """What the screen says, with the tool."""
        wanted = dict(self.tablet.bay.simulated.read_setpoints())
        for row in self.page.locator("main .ruled tbody tr").all():
            named = row.locator("th").inner_text()
            corner = next(each for each, name in NAMES.items() if self.tablet.says(name) == named)
            to = row.locator("td").nth(1).inner_text().strip()
            if to.lstrip("-−").isdigit():
                wanted[corner] = int(to.replace("−", "-"))
        self.tablet.bay.simulated.write(wanted)

    def read_back(self) -> None:
        """It is asked whether the tool really shows what was not to be written."""
        self.type_counts(self.tablet.bay.simulated.read_setpoints())
        self.press("Record the write")
        really = self.page.get_by_role("button", name=self.tablet.says("The tool shows that: record it"), exact=True)
        if really.is_visible():
            really.click()

    def sign_off(self) -> None:
        self.press("Sign …")
        self.tablet.type_pin(self.tablet.bay.technician.pin)
        self.press("Sign")


def opened(tablet: TabletInBay, until: str) -> tuple[str, TechnicianAtTablet]:
    """A job, worked on until this screen; with its id."""
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet)
    technician.work(until=(until,))
    return job_id, technician


def turn_to(technician: TechnicianAtTablet, name: str) -> None:
    """What is done beside the course of a job."""
    technician.follow("Other steps")
    technician.follow(name)
    technician.left("Other steps")

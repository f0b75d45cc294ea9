"""A technician to whom things happen in the middle of the work, and who goes on with what the screen then says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from playwright.sync_api import Error as BrowserError

from tests.bench.technician import ENDINGS, WAITING, TechnicianAtTablet
from tests.bench.test_job import photo
from tests.campaigns.bench.tablet import TabletOnSchedule

AS_FAR_AS_IT_GOES: Final = (*ENDINGS, "Stop and look", "Waits for another person")
"""Headings at which the technician cannot go on alone."""
MOST_STEPS: Final = 90
MOST_CONFUSIONS: Final = 12
MOST_ATTEMPTS: Final = 8
CALM_MS, PATIENCE_MS = 1_500, 8_000


class Interrupted(Exception):  # noqa: N818  (no error)
    """The screen is not what it was; what to do is on the new one."""


class Enough(Exception):  # noqa: N818  (no error)
    """The schedule ends here."""


class InterruptedTechnician(TechnicianAtTablet):
    """`moment` is called before and after everything that is pressed or typed, and may raise `Interrupted`."""

    def __init__(self, tablet: TabletOnSchedule, moment: Callable[[], None], mend: Callable[[], None]) -> None:
        super().__init__(tablet)
        self.on_schedule, self.moment, self.mend = tablet, moment, mend
        self.job = ""
        self.photos_left = 0
        self.confusions: list[str] = []

    def work_on(self) -> None:
        """Until the job ends, nobody can go on alone, or the schedule is over."""
        for _ in range(MOST_STEPS):
            try:
                heading = self._next_heading(())
                self.screens.append(heading)
                if heading in AS_FAR_AS_IT_GOES:
                    return
                self._do(heading)
            except Enough:
                return
            except Interrupted:
                continue
            except BrowserError as error:
                self._note_confusion(error)
                self.return_to_job()
        raise AssertionError(f"no end: {self.screens}")

    def _note_confusion(self, error: BrowserError) -> None:
        """The screen changed under the technician's hands."""
        self.confusions.append(f"{self.screens[-1:]}: {error.message[:300]}")
        if len(self.confusions) > MOST_CONFUSIONS:
            raise AssertionError(f"the technician is lost: {self.confusions}") from error

    def return_to_job(self) -> None:
        self.on_schedule.load(f"#/job/{self.job}")

    def send_now(self) -> None:
        """What a person does who does not want to wait. What was pressed before may still lead elsewhere."""
        for attempt in range(1, MOST_ATTEMPTS + 1):
            try:
                self.tablet.open("#/tray")
                self.page.get_by_role("button", name="Send now").click(timeout=CALM_MS)
                return self.page.wait_for_timeout(200)
            except BrowserError:
                if attempt == MOST_ATTEMPTS:
                    raise
        return None

    def _next_heading(self, _until: tuple[str, ...]) -> str:
        """Where a screen waits for the service for long, the network is mended, then sending is asked for."""
        if (heading := self._other_heading(WAITING, CALM_MS)) is not None:
            return heading
        if self.photos_left and self.heading().startswith("Kept"):
            self.take_photo()
        self.mend()
        for attempt in range(1, MOST_ATTEMPTS + 1):
            if (heading := self._other_heading(WAITING, attempt * PATIENCE_MS)) is not None:
                return heading
            self.send_now()
            self.return_to_job()
        raise AssertionError(f"nothing follows “{self.heading()}”: {self.page.inner_text('body')[:600]}")

    def _other_heading(self, than: tuple[str, ...], within_ms: float) -> str | None:
        script = "(not) => [document.querySelector('h1')?.textContent].find((each) => each && !not.includes(each))"
        try:
            found = self.page.wait_for_function(script, arg=list(than), timeout=within_ms)
            return str(found.json_value())
        except BrowserError:
            return None

    def left(self, heading: str) -> None:
        """Where the screen stays, something was in the way: the network is mended and the page loaded anew."""
        if self._other_heading((heading,), PATIENCE_MS) is None:
            self.mend()
            self.return_to_job()

    def _do(self, heading: str) -> None:
        if heading in ("Today", "Other steps", "Photo"):
            self.return_to_job()
        elif heading == "Who is at the tablet?":
            self.mend()
            self.tablet.sign_in()
            self.left(heading)
        else:
            super()._do(heading)

    def press(self, name: str) -> None:
        self.moment()
        super().press(name)
        self.moment()

    def follow(self, name: str) -> None:
        super().follow(name)
        self.moment()

    def type_reading(self, text: str) -> None:
        reading = self.page.locator("#reading")
        reading.fill(text)
        reading.press("Enter")
        self.moment()

    def type_counts(self, counts: dict[str, int]) -> None:
        super().type_counts(counts)
        self.moment()

    def sign_off(self) -> None:
        """Signing needs the network."""
        self.mend()
        super().sign_off()

    def take_photo(self) -> None:
        self.photos_left -= 1
        self.follow("Other steps")
        self.follow("Take a photo")
        if self.page.get_by_text("record one first").count():
            return self.return_to_job()
        self.page.locator("#photo").set_input_files([photo()])
        self.press("Keep this photo")
        return self.left("Photo")

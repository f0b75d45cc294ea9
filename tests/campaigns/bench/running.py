"""One schedule: a job on the bench app, with everything that may happen to a tablet, until all is at rest."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from django.core.cache import cache
from playwright.sync_api import Browser, Playwright
from playwright.sync_api import Error as BrowserError

from deploy.embedded.folder import data_folder
from tests.bench.bay import Bay
from tests.campaigns.bench.backups import Server, server_with_backups
from tests.campaigns.bench.interruptions import WEIGHTS, Interruptions
from tests.campaigns.bench.tablet import Disk, TabletOnSchedule, killable
from tests.campaigns.bench.technician import InterruptedTechnician
from tests.campaigns.bench.verdict import is_at_rest, problems
from tests.campaigns.bench.wireless import Wireless

SHARE_KILLED: Final = 0.3
SHARE_WHOLE: Final = 0.25
MOST_IN_VAIN: Final = 16
"""How often it is asked for sending without effect; in all for longer than the app waits for an answer."""
FIRST_HEADING: Final = """() => ["Today", "Who is at the tablet?"].find(
  (each) => each === document.querySelector("h1")?.textContent
)"""
LOOKS, LOOK_EVERY_MS = 20, 250


@dataclass
class Place:
    """Where schedules run, one after the other."""

    origin: str
    wireless: Wireless
    browser: Browser
    playwright: Playwright
    chromium: str
    suffix: str


@dataclass
class Outcome:
    """What a schedule came to."""

    number: int
    problems: list[str] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    screens: list[str] = field(default_factory=list)
    confusions: list[str] = field(default_factory=list)

    def line(self) -> str:
        counts = ", ".join(f"{name} {count}" for name, count in self.counts.items())
        end = self.screens[-1] if self.screens else "–"
        told = "; ".join(self.problems) or "all there once, in order"
        return f"schedule {self.number}: {counts}; to “{end}”, {len(self.confusions)} surprises: {told}"


@dataclass
class Day:
    """A tablet and a server for several schedules, each with a vehicle of its own."""

    rng: random.Random
    server: Server
    tablet: TabletOnSchedule


@contextmanager
def day_at(place: Place, name: str) -> Iterator[Day]:
    """From enrolment on. Everything is drawn from the name; how it falls together with what the browser does by
    itself is not."""
    rng = random.Random(name)  # noqa: S311  (a schedule is to be drawn again)
    cache.clear()  # attempts are counted by address
    place.wireless.mend()
    with ExitStack() as stack:
        server = stack.enter_context(server_with_backups(data_folder(), place.suffix, place.wireless))
        tablet = _tablet(place, Bay(place.origin, random_seed=rng.randrange(2**31)), rng, stack)
        tablet.enrol()
        tablet.sign_in()
        tablet.expect_heading("Today")
        yield Day(rng, server, tablet)


def _tablet(place: Place, bay: Bay, rng: random.Random, stack: ExitStack) -> TabletOnSchedule:
    if rng.random() < SHARE_KILLED:
        profile = Path(stack.enter_context(TemporaryDirectory(prefix="levelbook-tablet-", ignore_cleanup_errors=True)))
        tablet = TabletOnSchedule(bay, None, killable(place.playwright, place.chromium, profile))
    else:
        tablet = TabletOnSchedule(bay, place.browser.new_context(viewport={"width": 1180, "height": 820}))
    stack.callback(tablet.close)
    return tablet


def run_schedule(
    day: Day, number: int, weights: Mapping[str, int] = WEIGHTS, most_in_vain: int = MOST_IN_VAIN
) -> Outcome:
    """One vehicle's job, or the beginning of it."""
    return Schedule(day, number, weights, most_in_vain).run()


def ask_until_at_rest(ask: Callable[[], Disk], is_at_rest: Callable[[Disk], bool], most_in_vain: int) -> None:
    """For as long as asking still changes anything: how fast the machine is decides nothing."""
    before, in_vain = None, 0
    while in_vain < most_in_vain and not is_at_rest(disk := ask()):
        in_vain = in_vain + 1 if disk == before else 0
        before = disk


class Schedule:
    def __init__(self, day: Day, number: int, weights: Mapping[str, int], most_in_vain: int) -> None:
        self.rng, self.server, self.tablet = day.rng, day.server, day.tablet
        self.outcome = Outcome(number)
        self._most_in_vain = most_in_vain
        self._records_before = len(self.tablet.kept)
        self.interruptions = Interruptions(
            self.rng, self.tablet, self.server, lambda: self.technician.job, weights, left=self.rng.randint(2, 7)
        )
        self.technician = InterruptedTechnician(self.tablet, self.interruptions.moment, self.interruptions.mend)
        self.technician.photos_left = self.rng.randint(0, 2)
        if self.rng.random() > SHARE_WHOLE:
            self.interruptions.moments = self.rng.randint(8, 60)

    def run(self) -> Outcome:
        """One that does not come to rest has gone wrong too."""
        try:
            self._receive()
            self.technician.work_on()
            if self.server.backups and self.rng.random() < 0.3:
                self.interruptions.restore()
            self._come_to_rest()
            self.outcome.problems = problems(self.tablet)
        except (BrowserError, AssertionError) as error:
            self.outcome.problems = [f"broke off: {error} at {self.technician.screens[-3:]}"]
        return self._told()

    def _receive(self) -> None:
        """The next vehicle; the job may be opened without network."""
        tablet = self.tablet
        tablet.bay.drive_in(self.rng.randrange(2**31))
        self.server.forget_backups()
        tablet.open(f"#/vehicle/{tablet.bay.vehicle.vin}")
        tablet.page.get_by_role("button", name="Open a job").wait_for()
        tablet.wait_until_worker_is_ready()
        if self.rng.random() < 0.5:
            self.interruptions.back_up()
        if self.rng.random() < 0.15:
            self.interruptions.cut_or_connect()
        self.technician.job = tablet.open_job()

    def _come_to_rest(self) -> None:
        """Network and room are there again, and the person asks for sending."""
        self.interruptions.mend()
        ask_until_at_rest(self._ask_for_sending, lambda disk: is_at_rest(self.tablet, disk), self._most_in_vain)

    def _ask_for_sending(self) -> Disk:
        """What it came to after a while, or as soon as all is at rest."""
        self._be_somebody()
        self.technician.send_now()
        for _ in range(LOOKS):
            disk = self.tablet.disk()
            if is_at_rest(self.tablet, disk):
                break
            self.tablet.page.wait_for_timeout(LOOK_EVERY_MS)
        return disk

    def _be_somebody(self) -> None:
        """One look tells: what was pressed before may still lead elsewhere."""
        self.tablet.open("#/today")
        if self.tablet.page.wait_for_function(FIRST_HEADING).json_value() != "Today":
            self.tablet.sign_in()
            self.tablet.expect_heading("Today")

    def _told(self) -> Outcome:
        outcome = self.outcome
        outcome.screens, outcome.confusions = self.technician.screens, self.technician.confusions
        made = len(self.tablet.kept) - self._records_before
        outcome.counts = Counter({"records": made}) + self.interruptions.happened
        return outcome

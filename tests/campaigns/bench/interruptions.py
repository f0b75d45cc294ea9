"""What befalls a tablet in the middle of the work, drawn by chance."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from playwright.sync_api import Error as BrowserError

from tests.campaigns.bench.backups import Server
from tests.campaigns.bench.tablet import NO_ROOM, ROOM_AGAIN, TabletOnSchedule
from tests.campaigns.bench.technician import Enough, Interrupted

LONGEST_JOB: Final = 10_000
MOST_BACKUPS: Final = 3


@dataclass
class Interruptions:
    """`moment` is called again and again; now and then something happens in it."""

    rng: random.Random
    tablet: TabletOnSchedule
    server: Server
    job: Callable[[], str]
    weights: Mapping[str, int]
    left: int
    moments: int = LONGEST_JOB
    """How many moments the schedule has."""
    happened: Counter[str] = field(default_factory=Counter)
    _has_no_room: bool = False

    def moment(self) -> None:
        if self._give_room():
            raise Interrupted
        self.moments -= 1
        if self.moments < 0:
            raise Enough
        if self.left and self.rng.random() < 0.2:
            self.left -= 1
            self.happen()

    def happen(self) -> None:
        what = self.rng.choices(list(self.weights), list(self.weights.values()))[0]
        if self.rng.random() < 0.5:
            self.tablet.page.wait_for_timeout(self.rng.randrange(120))
        WHAT_HAPPENS[what](self)

    def mend(self) -> None:
        """The network is as it should be, and there is room."""
        self._give_room()
        self.server.wireless.mend()
        if self.tablet.is_cut:
            self.tablet.connect()

    def note(self, what: str) -> None:
        self.happened[what] += 1

    def cut_or_connect(self) -> None:
        if self.tablet.is_cut:
            self.tablet.connect()
        else:
            self.note("cut")
            self.tablet.cut()

    def lose_answers(self) -> None:
        self.note("answers lost")
        self.server.wireless.answers_lost = self.rng.randint(1, 4)

    def break_answers_off(self) -> None:
        self.note("answer broken off")
        self.server.wireless.answers_broken_off = self.rng.randint(1, 2)

    def be_busy(self) -> None:
        self.note("busy")
        self.server.wireless.busy = [self.rng.choice((429, 503)) for _ in range(self.rng.randint(1, 2))]

    def be_slow(self) -> None:
        self.note("slow")
        self.server.wireless.slow_s = [self.rng.uniform(0.1, 0.6) for _ in range(self.rng.randint(1, 4))]

    def be_down(self) -> None:
        self.note("unreachable")
        self.server.wireless.is_down = True

    def die(self) -> None:
        self.note("killed")
        self.tablet.die_and_come_back()
        self._go_on()

    def load_anew(self) -> None:
        self.note("loaded anew")
        self._go_on()

    def use_another_tab(self) -> None:
        self.note("other tab")
        if self.tablet.other_tab():
            raise Interrupted
        self.tablet.new_tab()
        self._go_on()

    def fill_up(self) -> None:
        """Until the next moment there is no room."""
        self.note("no room")
        self._has_no_room = True
        self.tablet.page.evaluate(NO_ROOM)

    def back_up(self) -> None:
        if self.server.backups < MOST_BACKUPS:
            self.note("backed up")
            self.server.back_up()

    def restore(self) -> None:
        if not self.server.backups:
            return self.back_up()
        self.note("restored")
        return self.server.restore(self.rng.randrange(self.server.backups))

    def _go_on(self) -> None:
        self.tablet.load(f"#/job/{self.job()}")
        raise Interrupted

    def _give_room(self) -> bool:
        """What could not be kept is still on the screen."""
        if not self._has_no_room:
            return False
        self._has_no_room = False
        self.tablet.page.wait_for_timeout(100)
        for page in self.tablet.context.pages:
            try:
                page.evaluate(ROOM_AGAIN)
            except BrowserError:  # it is being loaded, and has room anyway
                continue
        return True


WHAT_HAPPENS: Final[dict[str, Callable[[Interruptions], None]]] = {
    "cut": Interruptions.cut_or_connect,
    "answers lost": Interruptions.lose_answers,
    "answer broken off": Interruptions.break_answers_off,
    "busy": Interruptions.be_busy,
    "slow": Interruptions.be_slow,
    "unreachable": Interruptions.be_down,
    "killed": Interruptions.die,
    "loaded anew": Interruptions.load_anew,
    "other tab": Interruptions.use_another_tab,
    "no room": Interruptions.fill_up,
    "backed up": Interruptions.back_up,
    "restored": Interruptions.restore,
}
WEIGHTS: Final = {
    "cut": 22,
    "answers lost": 12,
    "answer broken off": 5,
    "busy": 6,
    "slow": 10,
    "unreachable": 8,
    "killed": 14,
    "loaded anew": 3,
    "other tab": 6,
    "no room": 7,
    "backed up": 8,
    "restored": 14,
}

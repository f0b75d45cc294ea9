"""A tablet whose browser may be killed, and what is on its disk."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import BrowserContext, Page, Playwright
from playwright.sync_api import Error as BrowserError

from tests.bench.bay import Bay, TabletInBay
from tests.browser.killable import Chromium

STEP_PATIENCE_MS: Final = 60_000
LOADING_PATIENCE_MS: Final = 90_000
Start = Callable[[], tuple[BrowserContext, Callable[[], None]]]

NOTES_WHAT_IS_KEPT: Final = """(() => {
  const { add } = IDBObjectStore.prototype;
  IDBObjectStore.prototype.add = function (value, ...rest) {
    const request = add.call(this, value, ...rest);
    if (this.name === "records") {
      this.transaction.addEventListener("complete", () => noteKept({ ...value, seq: request.result }));
    }
    return request;
  };
})();"""
"""A record is kept when its transaction is on disk: only then does the app say so."""

NO_ROOM: Final = """() => {
  const { add, put } = IDBObjectStore.prototype;
  const refuse = () => { throw new DOMException("no room", "QuotaExceededError"); };
  Object.assign(IDBObjectStore.prototype, { add: refuse, put: refuse });
  window.roomAgain = () => Object.assign(IDBObjectStore.prototype, { add, put });
}"""
ROOM_AGAIN: Final = "() => window.roomAgain?.()"

DISK: Final = """async (name) => {
  const asked = indexedDB.open(name);
  const database = await new Promise((done, fail) => {
    asked.onsuccess = () => done(asked.result);
    asked.onupgradeneeded = () => fail(new Error(`there is no ${name}`));
  });
  const tables = database.transaction(["records", "sent", "meta"]);
  const all = (table) => new Promise((done) => {
    tables.objectStore(table).getAll().onsuccess = ({ target }) => done(target.result);
  });
  const disk = { records: await all("records"), sent: await all("sent"), meta: await all("meta") };
  database.close();
  return disk;
}"""


@dataclass(frozen=True)
class Disk:
    """The outbox as it is stored."""

    records: list[dict[str, Any]]
    sent: list[dict[str, Any]]
    epoch: str | None

    @property
    def waiting(self) -> list[dict[str, Any]]:
        return [each for each in self.records if each["state"] == "waiting"]

    @property
    def refused(self) -> list[dict[str, Any]]:
        return [each for each in self.records if each["state"] == "refused"]


class TabletOnSchedule(TabletInBay):
    """With tabs, an outbox on disk, a list of all that it ever kept, and a browser that may die.

    `start` gives a running browser and the way to kill it. Without one the tablet is a profile in a browser that goes
    on running, and to die means that all of its tabs close at once.
    """

    def __init__(self, bay: Bay, context: BrowserContext | None, start: Start | None = None) -> None:
        self.kept: dict[str, dict[str, Any]] = {}
        self.is_cut = False
        self.deaths = 0
        self._start = start
        self._kill: Callable[[], None] | None = None
        if start:
            context, self._kill = start()
        assert context is not None, "a profile or a way to start one"
        super().__init__(bay, context, self._prepared(context))

    def load(self, hash_: str) -> None:
        """Load the app, also where it is open already and another hash would not."""
        is_open = self.page.url.startswith(f"{self.bay.origin}/bench/")
        self.open(hash_)
        if is_open:
            self.page.reload()

    def cut(self) -> None:
        self.is_cut = True
        self.context.set_offline(True)

    def connect(self) -> None:
        self.is_cut = False
        self.context.set_offline(False)

    def die_and_come_back(self) -> None:
        """What was kept until then is heard first: else the disk would hold more than was noted."""
        with suppress(BrowserError):
            self.page.evaluate("0")
        self.deaths += 1
        if self._start and self._kill:
            self._kill()
            self.context, self._kill = self._start()
            self.page = self._prepared(self.context)
        else:
            self._close_tabs()
            self.page = self._tab(self.context)

    def new_tab(self) -> None:
        """Another tab; the one before stays."""
        self.page = self._tab(self.context)

    def other_tab(self) -> bool:
        """The tab that was in use before, where there is one."""
        others = [page for page in self.context.pages if page != self.page]
        if others:
            self.page = others[-1]
            self.page.bring_to_front()
        return bool(others)

    def close(self) -> None:
        if self._kill:
            self._kill()
        else:
            self.context.close()

    def disk(self) -> Disk:
        found = self.page.evaluate(DISK, f"levelbook outbox {self.bay.site.workshop.pk}")
        for each in found["records"] + found["sent"]:
            self.kept.setdefault(each["id"], each)
        epoch = found["meta"][0]["epoch"] if found["meta"] else None
        return Disk(found["records"], found["sent"], epoch)

    def _prepared(self, context: BrowserContext) -> Page:
        """A fresh browser on the tablet; the network is as it was."""
        context.add_init_script(NOTES_WHAT_IS_KEPT)
        context.expose_binding("noteKept", lambda _source, record: self._note_kept(record))
        context.set_offline(self.is_cut)
        return self._tab(context)

    def _note_kept(self, record: dict[str, Any]) -> None:
        self.kept[record["id"]] = record

    def _tab(self, context: BrowserContext) -> Page:
        page = context.new_page()
        page.set_default_timeout(STEP_PATIENCE_MS)
        page.set_default_navigation_timeout(LOADING_PATIENCE_MS)
        page.on("pageerror", lambda error: self.faults.append(f"{error.name}: {error.message}\n{error.stack}"))
        page.on("console", lambda message: self._note(message.type, message.text))
        return page

    def _close_tabs(self) -> None:
        for page in self.context.pages:
            page.close()


def killable(playwright: Playwright, chromium: str, profile: Path) -> Start:
    """A browser of its own, killed by SIGKILL."""

    def start() -> tuple[BrowserContext, Callable[[], None]]:
        running = Chromium(playwright, chromium, profile).__enter__()
        return running.context, running.kill

    return start

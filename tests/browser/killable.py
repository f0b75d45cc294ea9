"""A real Chromium with a profile that outlives it, so that it can be killed and opened again."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path
from typing import Final, Self

from playwright.sync_api import Browser, BrowserContext, Page, Playwright

PATIENCE_S: Final = 60.0


class Chromium:
    """One process tree of Chromium; `kill` gives it no time for anything."""

    def __init__(self, playwright: Playwright, program: str, profile: Path) -> None:
        self._playwright, self._profile = playwright, profile
        self._port_file = profile / "DevToolsActivePort"
        self._port_file.unlink(missing_ok=True)
        options = ["--headless=new", "--no-sandbox", "--remote-debugging-port=0", "--no-first-run"]
        self._process = subprocess.Popen(
            [program, *options, "--disable-dev-shm-usage", f"--user-data-dir={profile}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    def __enter__(self) -> Self:
        self.browser: Browser = self._playwright.chromium.connect_over_cdp(f"http://127.0.0.1:{self._port()}")
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def context(self) -> BrowserContext:
        return self.browser.contexts[0]

    def page(self, address: str) -> Page:
        """A tab on the server's own origin; any of its files will do for a page."""
        page = self.context.new_page()
        page.goto(address)
        return page

    def kill(self) -> None:
        """SIGKILL for all of it at once."""
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(PATIENCE_S)

    def _port(self) -> int:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline and self._process.poll() is None:
            lines = self._port_file.read_text().splitlines() if self._port_file.exists() else []
            if len(lines) == 2:
                return int(lines[0])
            time.sleep(0.05)
        raise AssertionError("Chromium did not start.")

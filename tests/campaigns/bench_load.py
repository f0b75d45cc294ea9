"""How soon a slow tablet can be worked with: `python -m tests.campaigns.bench_load [--loads N]`.

The service runs as `deploy/start` serves it, over HTTPS with its local authority (HTTP/2, as tablets use it) and over
plain HTTP. Chromium opens `/bench/` in a fresh profile, then once more in the same one, where the worker has the app.
Beside each stands the emptiest page that the same service has.

The processor is slowed down four times. The network is the usual laboratory profile “slow 4G”: 150 ms a round trip,
1.6 Mbit/s down, 750 kbit/s up (Lighthouse, docs/throttling.md). The browser's own emulation delays each request; it
does not delay connecting, which is one round trip over TCP and one more for TLS 1.3. The last lines say what that adds.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median, quantiles
from typing import Any, Final
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, CDPSession, Page, Request, sync_playwright

from tests.deploy import trusted_by_chromium
from tests.deploy.conftest import Starter, started_before
from tests.ports import free_port

SLOWER_PROCESSOR: Final = 4
ROUND_TRIP_MS: Final = 150
SLOW_4G: Final = {
    "offline": False,
    "latency": ROUND_TRIP_MS,
    "downloadThroughput": 1_600_000 / 8,
    "uploadThroughput": 750_000 / 8,
}
LEAST_LOADS: Final = 15
PATIENCE_MS: Final = 180_000
APP: Final = "/bench/"
WORKER: Final = "/bench/service-worker.js"
EMPTIEST: Final = "/healthz"

WATCH: Final = """(() => {
  const pass = globalThis.fetch;
  globalThis.fetch = (to, ...rest) => (String(to).includes("/enrolments/") ? new Promise(() => {}) : pass(to, ...rest));
  addEventListener("submit", (event) => { if (event.defaultPrevented) globalThis.answered = performance.now(); });
  const look = () => {
    const button = document.querySelector(".bench-bar button");
    if (!button) return requestAnimationFrame(look);
    document.getElementById("code").value = "AAAAAAAA";
    setTimeout(() => button.click()); // after the frame in which it was painted
  };
  requestAnimationFrame(look);
})()"""
"""Presses the first screen's button as soon as it was seen; the app answers by taking the form to itself. What it would
send is held back, since the service counts attempts to enrol."""

BYTES_UNTIL: Final = """(ready) => ["navigation", "resource"]
  .flatMap((kind) => performance.getEntriesByType(kind))
  .filter((each) => each.responseEnd <= ready)
  .reduce((sum, each) => sum + each.transferSize, 0)"""
"""What had come by then, with an allowance of the browser's own for the heads of answers."""


@dataclass
class Load:
    """One page load as the page itself timed it, from the moment it was asked for."""

    ready_ms: float = 0.0
    busy_ms: float = 0.0
    """What its main thread worked, at the slowed-down pace: a busy machine does not lengthen it, unlike `ready_ms`."""
    bytes_until_ready: int = 0
    bytes: int = 0
    of_worker: int = 0
    """What came besides, for the worker to keep."""
    requests: int = 0
    protocols: set[str] = field(default_factory=set)


class Slowed:
    """A page of a slow tablet, and what it fetches."""

    def __init__(self, context: BrowserContext) -> None:
        self.page: Page = context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.load = Load()
        self._session: CDPSession = context.new_cdp_session(self.page)
        session = self._session
        session.send("Performance.enable", {"timeDomain": "threadTicks"})
        session.on("Network.responseReceived", self._responded)
        session.on("Network.loadingFinished", self._finished)
        session.send("Network.enable")
        session.send("Network.emulateNetworkConditions", SLOW_4G)
        session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER_PROCESSOR})

    def _responded(self, event: dict[str, Any]) -> None:
        if not event["response"].get("fromServiceWorker"):
            self.load.requests += 1
            self.load.protocols.add(event["response"]["protocol"])

    def _finished(self, event: dict[str, Any]) -> None:
        self.load.bytes += int(event["encodedDataLength"])

    def open(self, address: str, is_ready: str) -> Load:
        """Until the page says when it was ready."""
        self.page.goto(address, wait_until="commit")
        self.load.ready_ms = float(self.page.wait_for_function(is_ready).json_value())
        self.load.busy_ms = self._busy_ms()
        self.load.bytes_until_ready = int(self.page.evaluate(BYTES_UNTIL, self.load.ready_ms))
        return self.load

    def _busy_ms(self) -> float:
        metrics = self._session.send("Performance.getMetrics")["metrics"]
        return 1000 * next(float(each["value"]) for each in metrics if each["name"] == "TaskDuration")


def load_of_emptiest(browser: Browser, origin: str) -> Load:
    context = browser.new_context()
    load = Slowed(context).open(
        origin + EMPTIEST, "() => performance.getEntriesByType('navigation')[0].loadEventEnd || null"
    )
    context.close()
    return load


def loads_of_app(browser: Browser, origin: str) -> tuple[Load, Load]:
    """The first load in a fresh profile, and the next one; over plain HTTP no worker helps it."""
    context = browser.new_context(viewport={"width": 1180, "height": 820})
    context.add_init_script(WATCH)
    first = Slowed(context)
    of_worker: list[Request] = []
    context.on("requestfinished", lambda request: of_worker.append(request) if request.service_worker else None)
    first.open(origin + APP, "() => globalThis.answered")
    first.page.wait_for_function("() => navigator.serviceWorker?.controller !== null", timeout=PATIENCE_MS)
    first.load.of_worker = sum(map(came_for_worker, of_worker))
    first.page.close()
    later = Slowed(context)
    later.open(origin + APP, "() => globalThis.answered")
    later.page.wait_for_load_state("networkidle")
    context.close()
    return first.load, later.load


def came_for_worker(request: Request) -> int:
    """Bytes; none where the browser had it already. Of the worker's own script only its length is told."""
    if urlsplit(request.url).path == WORKER:
        answer = request.response()
        return int((answer and answer.header_value("content-length")) or 0)
    sizes = request.sizes()
    return sizes["responseHeadersSize"] + sizes["responseBodySize"]


@dataclass
class Measured:
    """All loads of one way to serve; the three kinds took turns."""

    name: str
    first: list[Load] = field(default_factory=list)
    later: list[Load] = field(default_factory=list)
    emptiest: list[Load] = field(default_factory=list)

    def measure(self, browser: Browser, origin: str, loads: int) -> None:
        for _ in range(loads):
            self.emptiest.append(load_of_emptiest(browser, origin))
            first, later = loads_of_app(browser, origin)
            self.first.append(first)
            self.later.append(later)

    def told(self) -> Iterator[str]:
        bare = median(load.ready_ms for load in self.emptiest)
        protocols = ", ".join(sorted(self.first[0].protocols))
        yield f"\n{self.name} ({protocols}), n = {len(self.first)} each"
        for name, loads in (("emptiest page", self.emptiest), ("first load", self.first), ("later load", self.later)):
            times = [load.ready_ms for load in loads]
            lower, middle, upper = quantiles(times, n=4)
            yield f"  {name}: ready after {middle:.0f} ms, {middle / bare:.2f} × the emptiest page"
            yield f"    main thread at work for {median(load.busy_ms for load in loads):.0f} ms of it"
            yield f"    quartiles {lower:.0f} to {upper:.0f} ms, all {min(times):.0f} to {max(times):.0f} ms"
            before, whole = (median(each) / 1000 for each in zip(*map(_bytes, loads), strict=True))
            requests = median(load.requests for load in loads)
            yield f"    {before:.1f} kB until then, {whole:.1f} kB and {requests:.0f} requests by the page"
            if of_worker := median(load.of_worker for load in loads) / 1000:
                yield f"    {of_worker:.1f} kB more for the worker to keep, {whole + of_worker:.1f} kB in all"


def _bytes(load: Load) -> tuple[int, int]:
    return load.bytes_until_ready, load.bytes


@contextmanager
def served(starter: Starter, *, is_https: bool) -> Iterator[str]:
    arguments = ["--local-tls", "--trust-port", str(free_port())] if is_https else []
    service = starter(arguments=arguments)
    if not service.has_said("serving http"):
        sys.exit(service.log.read_text())
    yield f"{'https' if is_https else 'http'}://localhost:{service.port}"
    service.interrupt()


@contextmanager
def chromium(authority: Path | None) -> Iterator[Browser]:
    """The machine's own, for a user who trusts this authority."""
    program = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as home, sync_playwright() as playwright:
        if authority:
            subprocess.run([sys.executable, trusted_by_chromium.__file__, home, authority], check=True)
        environment = os.environ | {"HOME": home, "XDG_DATA_HOME": f"{home}/.local/share"}
        browser = playwright.chromium.launch(executable_path=program, env=dict(environment))
        yield browser
        browser.close()


def tell(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(prog="tests.campaigns.bench_load", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--loads", type=int, default=LEAST_LOADS, help="of each kind (default: %(default)s)")
    loads: int = parser.parse_args().loads
    tell(f"load average at the start: {os.getloadavg()[0]:.2f} on {os.cpu_count()} processors")
    with started_before() as folder:
        starter = Starter(folder)
        try:
            for name, is_https in (("HTTPS, local authority", True), ("plain HTTP", False)):
                measured = Measured(name)
                with served(starter, is_https=is_https) as origin:
                    authority = folder.tls / "authority.crt" if is_https else None
                    with chromium(authority) as browser:
                        measured.measure(browser, origin, loads)
                for line in measured.told():
                    tell(line)
        finally:
            starter.stop_all()
    tell(f"\nnot delayed here: connecting, {ROUND_TRIP_MS} ms for TCP and {ROUND_TRIP_MS} ms more for TLS 1.3")
    tell(f"load average at the end: {os.getloadavg()[0]:.2f}")


if __name__ == "__main__":
    main()

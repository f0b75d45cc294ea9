"""The pictures of a page and of the tablet in README.md, taken of the demo as `deploy/start` serves it.

    python -m tests.reports.page_pictures http://127.0.0.1:8000 var/demo-sign-ins.txt

takes them anew. It enrols a tablet there and opens a job.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import django
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

PICTURES: Final = Path(__file__).parents[2] / "reports" / "pictures"
MANAGER: Final = "Ines Tarrow"
SHOWN: Final = "0LBWMD382NT100340"
"""A vehicle with a check, a job and another check after it."""
MEASURED: Final = "0LBWFE609PT300012"
ODOMETER: Final = "41250"
READ: Final = {"FL": (473, 474), "FR": (487, 488), "RL": (503, 504), "RR": (506, 507)}
"""What the tape shows, mm: front left is low."""
SETPOINTS: Final = {"FL": 121, "FR": 118, "RL": 149, "RR": 151}


@dataclass(frozen=True)
class Demo:
    """A served demo, and its manager."""

    origin: str
    email: str
    password: str
    pin: str

    @classmethod
    def at(cls, origin: str, sign_ins: str) -> Demo:
        """`sign_ins` is the text of the file that the demo writes."""
        found = re.search(rf"{MANAGER} \(.*\n *e-mail (\S+)  password (\S+)  PIN (\d+)", sign_ins)
        assert found is not None, f"{MANAGER} is not among the demo's sign-ins"
        return cls(origin, *found.groups())

    def desk(self, browser: Browser) -> Page:
        """Where the manager is signed in."""
        page = browser.new_context(viewport={"width": 1180, "height": 1400}, base_url=self.origin).new_page()
        page.goto("/sign-in/")
        page.locator("[name=login]").fill(self.email)
        page.locator("[name=password]").fill(self.password)
        page.get_by_role("button", name="Sign in", exact=True).click()
        page.get_by_role("heading", level=1, name="Today", exact=True).wait_for()
        return page


def kept(page: Page, name: str) -> None:
    """A palette makes the file a third as large."""
    picture = Image.open(BytesIO(page.screenshot())).convert("RGB")
    picture.quantize(method=Image.Quantize.MAXCOVERAGE).save(PICTURES / f"{name}.png", optimize=True)


def take_tablet(browser: Browser, demo: Demo, desk: Page) -> None:
    """A job from reception to its first result."""
    from tests.bench.bay import Bay, TabletInBay
    from tests.bench.technician import TechnicianAtTablet

    class BayOfDemo(Bay):
        """What stands there is written above; nothing is asked of a database."""

        def __init__(self) -> None:
            self.origin = demo.origin
            self.vehicle: Any = SimpleNamespace(vin=MEASURED)
            self.simulated: Any = SimpleNamespace(read_setpoints=lambda: SETPOINTS, settle=lambda: None)
            self.heights: dict[str, Iterator[int]] = {corner: iter(heights) for corner, heights in READ.items()}

        def read(self, corner: str) -> int:
            return next(self.heights[corner])

        def enrolment_code(self) -> str:
            desk.goto("/tablets/")
            desk.locator("form[action$='/tablets/enrolment/'] button").click()
            found = re.search(r"\b[A-Z0-9]{4}-[A-Z0-9]{4}\b", desk.locator("main").inner_text())
            assert found is not None
            return found[0].replace("-", "")

    context = browser.new_context(viewport={"width": 1180, "height": 820})
    tablet = TabletInBay.unpacked(BayOfDemo(), context)
    tablet.enrol()
    person: Any = SimpleNamespace(membership=SimpleNamespace(name=MANAGER), pin=demo.pin)
    tablet.sign_in(person)
    tablet.open_job(ODOMETER)
    technician = TechnicianAtTablet(tablet)
    technician.work(until=("Measure",))
    for _ in range(3):  # front left whole, front right half
        corner = technician.corner_now()
        assert corner is not None
        technician.type_reading(str(tablet.bay.read(corner)))
    tablet.page.get_by_text("1 taken, 1 to take").wait_for()
    kept(tablet.page, "bench-measure")
    technician.work(until=("Where it stands",))
    tablet.page.get_by_text("All records sent").wait_for()
    kept(tablet.page, "bench-result")


def main(origin: str, sign_ins: str) -> None:
    demo = Demo.at(origin, Path(sign_ins).read_text(encoding="utf-8"))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=os.environ.get("CHROMIUM") or shutil.which("chromium"))
        desk = demo.desk(browser)
        desk.goto(f"/vehicles/{SHOWN}/")
        kept(desk, "vehicle-page")
        take_tablet(browser, demo, desk)
        browser.close()


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()
    main(*sys.argv[1:])

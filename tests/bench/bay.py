"""A bay with a tablet: the real service, a real Chromium with the app, a person with a PIN, a simulated vehicle."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from playwright.sync_api import BrowserContext, Locator, Page, expect

from fleet import services
from fleet.models import Instrument, Vehicle
from fleet.tenancy import in_workshop
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import SimulatedVehicle
from tests.bench.spoken import catalogue
from tests.factories import Person, Site, make_site
from tests.reports.workshops import perform_due
from tests.simulator.scenarios import ESTATE, WITH_AN_ERROR, draw_case

PATIENCE_MS = 60_000
TABLET = "tablet in bay 2"
UNTIL_KEPT = """async () => {
  const databases = await indexedDB.databases();
  if (!databases.some(({ name }) => name === "levelbook bench")) return;
  await new Promise((done, failed) => {
    const request = indexedDB.open("levelbook bench");
    request.onerror = () => failed(request.error);
    request.onsuccess = () => {
      const work = request.result.transaction("kept", "readwrite");
      work.objectStore("kept").count();
      work.oncomplete = () => { request.result.close(); done(); };
      work.onabort = () => failed(work.error);
    };
  });
}"""
TOLD_BY_THE_BROWSER = ("Failed to load resource", "The Cross-Origin-Opener-Policy header has been ignored")


@dataclass
class Bay:
    """A workshop's bay: whoever works there, the vehicle in it, and the tape."""

    origin: str
    site: Site = field(default_factory=make_site)
    random_seed: int = 7

    def __post_init__(self) -> None:
        self.instrument: Instrument = self.site.instrument()
        self.vehicle_model = self.site.specification().vehicle_model
        self.drive_in(self.random_seed)

    def drive_in(self, random_seed: int) -> None:
        """Another vehicle takes the place of the one before, drawn anew."""
        rng = np.random.default_rng(random_seed)
        mixed = next(each for each in WITH_AN_ERROR if each.name == "mixed")
        self.simulated: SimulatedVehicle = draw_case(mixed, ESTATE, rng).vehicle
        self.tape = Tape(rng, slip_share=0.0)
        self.vehicle: Vehicle = self.site.vehicle(vehicle_model=self.vehicle_model)
        self.site.fitment(self.vehicle)

    @property
    def technician(self) -> Person:
        return self.site.technician

    def read(self, corner: str) -> int:
        """The tape at a corner, mm."""
        return self.tape.read(self.simulated, corner)

    def get(self, path: str, **query: Any) -> Any:
        """What the service answers the technician, without the tablet."""
        answer = self.technician.client().get(f"/api/v1{path}", query)
        assert answer.status_code == 200, answer.content
        return answer.json()

    def enrolment_code(self) -> str:
        with in_workshop(self.site.workshop.pk):
            return services.enrolment_offer(actor=self.technician.actor())[1]

    def work_in_the_background(self) -> None:
        """What a worker does: draw the certificates that are due."""
        perform_due(self.site.workshop.pk)


@dataclass
class TabletInBay:
    """A tablet before the bay's service, driven as a person presses it."""

    bay: Bay
    context: BrowserContext
    page: Page
    language: str = "en"
    """In which it speaks. Everything below is given in English and pressed in this."""
    faults: list[str] = field(default_factory=list)
    """What the page's own code failed at; a test that ends with any fails."""

    @classmethod
    def unpacked(cls, bay: Bay, context: BrowserContext, language: str = "en") -> TabletInBay:
        """A tablet that nobody has enrolled yet."""
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        tablet = cls(bay, context, page, language)
        page.on("pageerror", lambda error: tablet.faults.append(f"{error.name}: {error.message}\n{error.stack}"))
        page.on("console", lambda message: tablet._note(message.type, message.text))
        return tablet

    def _note(self, kind: str, text: str) -> None:
        """What the browser itself tells of refused requests, or of plain HTTP, is no fault of the page."""
        if kind == "error" and not text.startswith(TOLD_BY_THE_BROWSER):
            self.faults.append(text)

    def says(self, text: str) -> str:
        """How it says a text of the app's."""
        return catalogue(self.language).get(text, text)

    def labelled(self, label: str) -> Locator:
        """The field with a label that begins so."""
        return self.page.get_by_label(self.says(label))

    def open(self, hash_: str = "") -> None:
        self.page.goto(f"{self.bay.origin}/bench/{hash_}")

    def reload(self) -> None:
        """A person is slower than the disk: what was typed last is on it."""
        self.page.evaluate(UNTIL_KEPT)
        self.page.reload()

    def enrol(self) -> None:
        """By the code in the address, as a tablet that scanned it."""
        self.open(f"#enrol={self.bay.enrolment_code()}")
        self.labelled("Name of this tablet").fill(TABLET)
        self.press("Enrol")
        self.expect_heading("Who is at the tablet?")

    def sign_in(self, person: Person | None = None, pin: str | None = None) -> None:
        who = person or self.bay.technician
        self.page.get_by_role("button", name=who.membership.name, exact=True).click()
        self.type_pin(pin or who.pin)
        self.press("Start")

    def type_pin(self, pin: str) -> None:
        for digit in pin:
            self.page.locator(".pin-keys").get_by_role("button", name=digit, exact=True).click()

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=self.says(name), exact=True).click()

    def expect_heading(self, heading: str) -> None:
        found = self.page.get_by_role("heading", level=1, name=self.says(heading), exact=True)
        expect(found).to_be_visible(timeout=PATIENCE_MS)

    def wait_until_worker_is_ready(self) -> None:
        """The app's files are on the tablet, and it opens without network."""
        self.page.wait_for_function("() => navigator.serviceWorker.controller !== null", timeout=PATIENCE_MS)

    def open_job(self, odometer: str = "48210") -> str:
        """By the VIN, from today's page; gives the job's id once the service has it."""
        self.open(f"#/open/{self.bay.vehicle.vin}")
        self.labelled("Odometer").fill(odometer)
        expect(self.page.locator("main")).not_to_contain_text("undefined")
        self.press("Open the job")
        self.page.wait_for_url("**/#/job/*")
        return self.page.url.rpartition("/")[2]

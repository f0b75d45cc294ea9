"""The bench app in German: every text, the decimal comma, dates; with the network, and without."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from django.test import Client
from playwright.sync_api import Page, Request, expect

from deploy.embedded.folder import CHECKOUT
from tests.bench.bay import PATIENCE_MS, TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.spoken import catalogue
from tests.bench.technician import TechnicianAtTablet
from tests.bench.test_job_screens import SIDE_SCREENS
from tests.browser.seen import open_all, sideways_px, sticking_out
from tests.fleet.looks.test_markup import compiled, written

GERMAN = CHECKOUT / "calibration/locale/de/LC_MESSAGES/djangojs.po"
CALL = re.compile(r'\bn?gettext\(\s*"((?:[^"\\]|\\.)*)"')
VALUE = re.compile(r"%\((\w+)\)s")
THE_SAME = {
    "%(name)s: %(height)s ± %(uncertainty)s %(unit)s, %(verdict)s",
    "%(number)s, %(state)s",
    "Band",
    "Code",
    "Start",
    "normal",
}
"""In both languages."""
CONTAINERS = ".plan-corner, .notice, .button, .state, .choice, .check, .facts, .bench-status, .field-label, td, th"
UPRIGHT, LONG = {"width": 820, "height": 1180}, {"width": 1180, "height": 820}
DECIMAL_POINT = re.compile(r"(?<![\d.])\d+\.\d{1,3}(?![\d.])")
"""Of a figure; dates have two points."""
SHOWN = """() => {
  const names = ['aria-label', 'title', 'placeholder', 'alt', 'data-label'];
  const shown = [...document.querySelectorAll('body *')].filter((each) => each.checkVisibility());
  const texts = (each) => [...each.childNodes].filter((one) => one.nodeType === Node.TEXT_NODE).map((one) => one.data);
  return shown.flatMap((each) => [...texts(each), ...names.map((one) => each.getAttribute(one))]).filter(Boolean);
}"""


def texts_of_the_app() -> Iterator[str]:
    for path in (CHECKOUT / "calibration/static/bench").rglob("*.js"):
        yield from CALL.findall(path.read_text())


def test_every_text_of_the_app_has_its_german() -> None:
    known = compiled(GERMAN)
    texts = set(texts_of_the_app())
    assert len(texts) > 500
    assert texts - known.keys() == set()
    assert {text for text in texts if known[text] == text} == THE_SAME


def test_what_is_compiled_is_what_is_written_and_fills_in_the_same_values() -> None:
    known = written(GERMAN)
    assert len(known) > 500
    assert known.items() <= compiled(GERMAN).items()
    differing = {text for text, german in known.items() if set(VALUE.findall(text)) != set(VALUE.findall(german))}
    assert differing == set()


@pytest.mark.django_db
def test_the_tablet_keeps_the_texts_of_the_language_it_asks_in() -> None:
    def got(path: str, language: str) -> str:
        return Client(headers={"Accept-Language": language}).get(path).content.decode()

    for path, text in (("/bench/texts.js", "Vorn links"), ("/bench/later-texts.js", "Noch einmal nachsehen")):
        assert text in got(path, "de-AT,de;q=0.9")
        assert text not in got(path, "en")
    assert '<html lang="de"' in got("/bench/", "de")
    versions = {got("/bench/service-worker.js", language)[:80] for language in ("de", "en")}
    assert len(versions) == 2


def english() -> list[re.Pattern[str]]:
    """The catalogues' texts as they would show in English, with any values filled in."""
    told = [text for text, german in catalogue("de").items() if german != text and len(text) > 1]
    pieces = [re.split(r"%(?:\(\w+\))?[sd]|\{\w*\}", text) for text in told]
    return [re.compile(".+?".join(map(re.escape, each))) for each in pieces]


@dataclass
class Reader:
    """Reads every screen in both ways of holding the tablet, and notes what is not as in German or sticks out."""

    english: list[re.Pattern[str]] = field(default_factory=english)
    wrong: dict[str, list[str]] = field(default_factory=dict)

    def at(self, page: Page, heading: str) -> None:
        open_all(page)
        found = self.not_german(page.evaluate(SHOWN))
        for size in (LONG, UPRIGHT):
            page.set_viewport_size({"width": size["width"], "height": size["height"]})
            found += [f"{size['width']} px: {each}" for each in sticking_out(page, CONTAINERS)]
            if sideways_px(page) > 0:
                found.append(f"{size['width']} px: {sideways_px(page)} px too wide")
        if found:
            self.wrong[heading] = found

    def not_german(self, shown: list[str]) -> list[str]:
        german = set(catalogue("de").values())
        pieces = {piece for text in shown if (piece := " ".join(text.split()))} - german
        found = [piece for piece in pieces if any(each.fullmatch(piece) for each in self.english)]
        return [*found, *(piece for piece in pieces if DECIMAL_POINT.search(piece))]


def test_a_text_left_in_english_and_a_decimal_point_would_be_found() -> None:
    shown = [
        "Front left",
        "Rear left: read it once more",
        "486.5 mm",
        "Vorn links",
        "486,5",
        "26.11.2026",
        "29 A 10.30",
    ]
    assert Reader().not_german(shown) != []
    assert set(Reader().not_german(shown)) == {"Front left", "Rear left: read it once more", "486.5 mm", "29 A 10.30"}


def test_a_job_in_german_has_no_english_on_its_screens_and_a_decimal_comma(new_tablet: NewTablet) -> None:
    tablet, reader = new_tablet(language="de"), Reader()
    assert tablet.page.locator("html").get_attribute("lang") == "de"
    job_id = tablet.open_job()
    technician = TechnicianAtTablet(tablet, seen=reader.at)
    technician.work(until=("Measure",))
    by_keys(tablet, f"{tablet.bay.read('FL')},5")
    technician.type_reading(f"{tablet.bay.read('FL')},5")
    expect(tablet.page.locator(".plan-FL .reading-figures")).to_contain_text(re.compile(r"^\d{3},5 · \d{3},5$"))
    technician.work(until=("Where it stands",))
    for name, heading in SIDE_SCREENS.items():
        tablet.open(f"#/job/{job_id}/{name}")
        tablet.expect_heading(heading)
        reader.at(tablet.page, heading)
    opens_in_german_without_network(tablet)
    tablet.open(f"#/job/{job_id}/result")
    tablet.expect_heading("Where it stands")
    technician.work()
    readings = tablet.bay.get(f"/jobs/{job_id}/")["rounds"][0]["readings"]
    assert [each["height_mm"] % 1 for each in readings if each["corner"] == "FL"] == [0.5, 0.5]
    assert reader.wrong == {}


def by_keys(tablet: TabletInBay, height: str) -> None:
    """On the screen's own keys, which have the comma."""
    for each in height:
        name = tablet.says("Decimal sign") if each == "," else each
        key = tablet.page.locator(".keypad").get_by_role("button", name=name, exact=True)
        expect(key).to_have_text(each)
        key.click()
    tablet.press("Take this reading")


def opens_in_german_without_network(tablet: TabletInBay) -> None:
    tablet.wait_until_worker_is_ready()
    tablet.context.set_offline(True)
    tablet.open("#/settings")
    tablet.page.reload()
    tablet.expect_heading("Settings")
    expect(tablet.page.locator(".bench-top")).to_contain_text("keine Verbindung")
    tablet.context.set_offline(False)
    expect(tablet.page.locator(".bench-top")).to_contain_text("verbunden", timeout=PATIENCE_MS)


def test_a_language_chosen_on_the_tablet_holds_for_the_app_the_service_and_without_network(
    new_tablet: NewTablet,
) -> None:
    tablet = new_tablet()
    tablet.wait_until_worker_is_ready()
    asked: list[Request] = []
    tablet.page.on("request", lambda request: asked.append(request) if "/api/v1/" in request.url else None)
    tablet.open("#/settings")
    tablet.expect_heading("Settings")
    tablet.page.get_by_label("Deutsch", exact=True).check()
    tablet.language = "de"
    tablet.expect_heading("Settings")
    expect(tablet.page.get_by_label("Deutsch", exact=True)).to_be_checked()
    opens_in_german_without_network(tablet)
    assert asked[-1].all_headers()["accept-language"] == "de"

"""Forms of the set-up in Chromium: back to what is wrong, and without scripts.

That every page is for everybody is tried in `tests/reports/pages/test_every_page.py`.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from fleet.models import Bay, Membership, Operator, Vehicle, VehicleModel
from fleet.tenancy import in_workshop
from tests.browser.seen import sideways_px, sticking_out
from tests.factories import make_site
from tests.fleet.signin.browsers import browser_of

from .conftest import Furnished, furnish

APART_PX = 8


@pytest.fixture
def furnished(committed_db: None) -> Furnished:
    return furnish(make_site())


@pytest.fixture
def signed_in(browser: Browser, origin: str, furnished: Furnished) -> Iterator[BrowserContext]:
    """A profile in which the manager has signed in."""
    context = browser.new_context(base_url=origin)
    client = browser_of(furnished.site.manager)
    client.get("/choose-workshop/")
    secret = client.cookies["sessionid"].value
    context.add_cookies([{"name": "sessionid", "value": secret, "url": origin}])
    yield context
    context.close()


@pytest.fixture
def page(signed_in: BrowserContext) -> Page:
    return signed_in.new_page()


def refused(page: Page) -> None:
    """Send the form of the page as it stands."""
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator("[data-error-summary]")).to_be_focused()


def test_the_summary_of_errors_takes_the_focus_and_leads_to_the_field(page: Page, furnished: Furnished) -> None:
    page.goto("/bays/new/")
    refused(page)
    page.locator("[data-error-summary] a").first.click()
    expect(page.locator("#id_name")).to_be_focused()


def test_nothing_is_wider_than_the_window_in_german_when_enlarged_fourfold(page: Page, furnished: Furnished) -> None:
    """German has the longer words."""
    page.set_viewport_size({"width": 320, "height": 256})  # 1280 by 1024 enlarged fourfold (WCAG 2.2, 1.4.10)
    page.set_extra_http_headers({"Accept-Language": "de"})
    for path in furnished.pages():
        page.goto(path)
        assert page.locator("html").get_attribute("lang") == "de"
        assert (path, sideways_px(page)) == (path, 0)
        assert (path, sticking_out(page, ".button, .state, .notice, label, legend, dt, dd, h1, h2")) == (path, [])


def test_a_name_without_a_space_widens_no_page(page: Page, furnished: Furnished) -> None:
    long = "Wolkenbruchstation" * 7
    site = furnished.site
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.technician.membership.pk).update(name=long[:120])
        Operator.objects.update(name=long[:120])
        VehicleModel.objects.update(make=long[:60], name=long[:60])
        Bay.objects.update(name=long[:60])
        Vehicle.objects.update(registration=long[:20])
    for width in (1180, 768):
        page.set_viewport_size({"width": width, "height": 800})
        for path in (*furnished.pages(), "/vehicles/", f"/vehicles/{furnished.vehicle.vin}/", "/tablets/", "/"):
            page.goto(path)
            assert (path, width, sideways_px(page)) == (path, width, 0)
            if width == 768 and "ruled" in page.content():
                assert (path, broken_words(page)) == (path, [])


def broken_words(page: Page) -> list[str]:
    """Words of tables, at most as long as a VIN, that stand in two lines."""
    found: list[str] = page.eval_on_selector_all(
        ".ruled tbody :is(th, td)",
        """all => all.flatMap(cell => {
            const texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT), broken = [];
            for (let text = texts.nextNode(); text; text = texts.nextNode()) {
                for (const word of text.data.matchAll(/(?<!\\S)[^\\s\u2013-]{2,17}(?!\\S)/g)) {
                    const range = document.createRange();
                    range.setStart(text, word.index);
                    range.setEnd(text, word.index + word[0].length);
                    const lines = new Set([...range.getClientRects()].map(one => Math.round(one.top)));
                    if (lines.size > 1) broken.push(word[0]);
                }
            }
            return broken;
        })""",
    )
    return found


def test_a_bay_is_added_with_scripts_switched_off(browser: Browser, origin: str, furnished: Furnished) -> None:
    client = browser_of(furnished.site.manager)
    client.get("/choose-workshop/")
    with browser.new_context(base_url=origin, java_script_enabled=False) as context:
        context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": origin}])
        page = context.new_page()
        page.goto("/bays/new/")
        page.get_by_label("Name").fill("Bay by the door")
        page.get_by_label("Surveyed on").fill("2026-03-02")
        for corner in ("Front left", "Front right", "Rear left", "Rear right"):
            page.get_by_label(corner).fill("0,5")
        page.get_by_role("button", name="Add").click()
        expect(page.get_by_text("Bay by the door")).to_be_visible()
        assert page.url.endswith("/bays/")
        told, held = (page.locator(each).bounding_box() for each in ("main > .notice", "main > .notice + *"))
        assert told is not None
        assert held is not None
        assert held["y"] - told["y"] - told["height"] >= APART_PX, "what the page tells touches what it holds"

"""The pages of the work in Chromium: for everybody, in both themes, enlarged, by keyboard, and one whole decision."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, BrowserContext, Page, expect
from pypdf import PdfReader

from fleet.actor import Actor
from fleet.tenancy import in_workshop
from reports.models import DriftAlert
from reports.services.alerts import vehicle_evaluate
from tests.browser.seen import axe_findings, open_all, sideways_px, sticking_out, targets
from tests.calibration.pages.conftest import Asked, asked_in
from tests.factories import Site, make_site
from tests.fleet.signin.browsers import browser_of
from tests.reports import jobs

from .conftest import AtWork, at_work_in

ENLARGED: Any = {"width": 320, "height": 256}
"""1280 by 1024 enlarged fourfold (WCAG 2.2, 1.4.10)."""
PHONE: Any = {"width": 390, "height": 844}
DESK_TARGET_PX = 32
LEAST_LETTERS_PX = 11.5


@dataclass(frozen=True)
class Shown:
    """A workshop in the middle of its work, in which something waits for a decision and a vehicle leaks."""

    site: Site
    at_work: AtWork
    asked: Asked
    leaking: jobs.Bench

    def paths(self) -> list[str]:
        pages = [path for path in self.at_work.pages() if not path.endswith("/pdf/")]
        pages += [f"/jobs/{self.leaking.job_id}/", f"/vehicles/{self.leaking.vehicle.vin}/"]
        return [*pages, "/approvals/", self.asked.approval_path, self.asked.finding_path, f"/jobs/{self.asked.job.pk}/"]


@pytest.fixture
def shown(committed_db: None) -> Shown:
    site = make_site()
    asked = asked_in(site)
    leaking = jobs.Bench.at(site)
    leaking.receive()
    leaking.leak_test(RL=30, FR=5, hours=4, degrees=(20, 15))
    return Shown(site, at_work_in(site), asked, leaking)


@pytest.fixture
def context(browser: Browser, origin: str, shown: Shown) -> Iterator[BrowserContext]:
    """A profile in which the manager has signed in."""
    context = browser.new_context(base_url=origin)
    client = browser_of(shown.site.manager)
    client.get("/choose-workshop/")
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": origin}])
    yield context
    context.close()


@pytest.fixture
def page(context: BrowserContext) -> Page:
    return context.new_page()


def opened(page: Page, path: str) -> Page:
    answer = page.goto(path)
    assert answer is not None
    assert answer.ok, path
    return page


def test_axe_would_find_a_chart_without_its_words(page: Page, shown: Shown) -> None:
    opened(page, f"/vehicles/{shown.at_work.done.vehicle.vin}/")
    page.evaluate(
        "const chart = document.querySelector('.chart svg'); chart.removeAttribute('aria-labelledby'); "
        "chart.querySelector('title').remove()"
    )
    assert any(found.startswith("svg-img-alt:") for found in axe_findings(page))


@pytest.mark.parametrize("size", [ENLARGED, PHONE], ids=["enlarged fourfold", "phone"])
def test_nothing_is_scrolled_sideways(page: Page, shown: Shown, size: Any) -> None:
    page.set_viewport_size(size)
    for path in shown.paths():
        opened(page, path)
        open_all(page)
        assert (path, sideways_px(page)) == (path, 0)


def test_a_charts_words_are_read_on_a_phone_and_by_keyboard(page: Page, shown: Shown) -> None:
    page.set_viewport_size(PHONE)
    opened(page, f"/vehicles/{shown.at_work.done.vehicle.vin}/")
    drawn = page.locator(".chart svg").first
    size_px = drawn.evaluate(
        "each => each.getBoundingClientRect().width / each.viewBox.baseVal.width * "
        "Math.min(...[...each.querySelectorAll('text')].map(text => Number(text.getAttribute('font-size'))))"
    )
    assert size_px >= LEAST_LETTERS_PX
    reach = page.locator(".chart-reach").first
    reach.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("() => document.activeElement.scrollLeft > 0")
    assert reach.get_attribute("aria-label") == "Front left"


@pytest.mark.parametrize("width_px", [768, 1024, 1280, 1920])
def test_a_chart_is_seen_whole_on_tablet_and_desk(page: Page, shown: Shown, width_px: int) -> None:
    """Cut off at the right it hid what was measured last."""
    page.set_viewport_size({"width": width_px, "height": 900})
    opened(page, f"/vehicles/{shown.at_work.done.vehicle.vin}/")
    charts = page.locator(".chart-reach").all()
    assert len(charts) >= 4
    assert [each.evaluate("each => each.scrollWidth - each.clientWidth") for each in charts] == [0] * len(charts)


def test_paper_has_what_is_read_and_nothing_to_be_pressed_or_typed(page: Page, shown: Shown) -> None:
    page.emulate_media(media="print")
    opened(page, f"/vehicles/{shown.at_work.done.vehicle.vin}/")
    tops = [
        each["y"]
        for chart in page.locator("section[aria-labelledby='heights'] .chart").all()
        if (each := chart.bounding_box())
    ]
    assert (len(tops), len(set(tops))) == (4, 2)
    for path in (shown.asked.approval_path, shown.asked.finding_path, "/certificates/", "/certificates/1/"):
        opened(page, path)
        assert page.locator("form :is(input, textarea, select, button):visible").count() == 0, path


def first_sheet(page: Page) -> str:
    return " ".join(PdfReader(BytesIO(page.pdf(format="A4"))).pages[0].extract_text().split())


def test_a_long_list_begins_on_the_first_sheet_of_paper(page: Page, shown: Shown) -> None:
    """Kept whole it began on the second one, which left the first empty."""
    model, operator = shown.site.specification().vehicle_model, shown.site.operator()
    for number in range(30):
        shown.site.vehicle(vehicle_model=model, operator=operator, registration=f"AA {number:02d}")
    opened(page, "/vehicles/?sort=registration")
    assert "AA 00" in first_sheet(page)


def test_a_few_tall_rows_begin_on_the_first_sheet_of_paper(page: Page, shown: Shown) -> None:
    """Alerts that are folded on a screen are unfolded."""
    now = timezone.now()
    said = {"details": {"scatter": 9.0}, "opened_at": now, "updated_at": now}
    for number in range(4):
        vehicle = shown.site.vehicle(registration=f"AA {number:02d}")
        with in_workshop(shown.site.workshop.pk):
            for place in ("FL", "FR", "RL", "RR"):
                DriftAlert.objects.create(vehicle=vehicle, kind="unsteady", place=place, **said)
    opened(page, "/")
    alerts = page.locator("section", has=page.get_by_role("heading", name="Alerts", exact=True))
    assert alerts.locator("tbody > tr").count() < 6
    page.evaluate("() => document.querySelectorAll('.card:nth-child(n + 2)').forEach(each => each.remove())")
    assert "What is the matter" in first_sheet(page)


def test_paper_has_what_is_folded_on_a_screen_of_a_vehicles_alerts(page: Page, shown: Shown) -> None:
    vehicle, now = shown.at_work.done.vehicle, timezone.now()
    details = {"scatter": 9.0}
    with in_workshop(shown.site.workshop.pk):
        DriftAlert.objects.create(
            vehicle=vehicle, kind="unsteady", place="RR", details=details, opened_at=now, updated_at=now
        )
    opened(page, "/")
    assert page.locator("details.more li").is_hidden()
    page.emulate_media(media="print")
    folded = page.locator("details.more")
    assert folded.evaluate("each => each.getBoundingClientRect().height > 2 * each.firstElementChild.offsetHeight")
    page.emulate_media(media="screen")
    page.get_by_text("One more alert").click()
    page.locator("details.more a").click()
    expect(page.locator("main")).to_contain_text("Rear right: the heights differ")


@pytest.mark.parametrize("width_px", [768, 1024])
def test_the_list_of_vehicles_is_read_on_a_tablet(page: Page, shown: Shown, width_px: int) -> None:
    with in_workshop(shown.site.workshop.pk):
        actor = Actor.system(shown.site.workshop.pk, timezone.now())
        vehicle_evaluate(actor=actor, vehicle_id=shown.at_work.done.vehicle.pk)
    page.set_viewport_size({"width": width_px, "height": 1792 - width_px})
    opened(page, "/vehicles/")
    assert sideways_px(page) == 0
    assert sticking_out(page, ".ruled :is(th, td)") == []
    days = page.locator(".ruled .no-wrap")
    assert days.count() > 0
    assert all(each.evaluate("each => each.getClientRects().length") == 1 for each in days.all())


def test_everything_that_is_pressed_is_large_enough(page: Page, shown: Shown) -> None:
    page.set_viewport_size(PHONE)
    for path in shown.paths():
        opened(page, path)
        small = [each for each in targets(page) if not each.is_in_text and each.height < DESK_TARGET_PX]
        assert (path, small) == (path, [])


def test_nothing_is_refused_by_the_strict_policy(page: Page, shown: Shown) -> None:
    refused: list[str] = []
    page.on("console", lambda message: refused.append(message.text) if message.type == "error" else None)
    for path in shown.paths():
        opened(page, path)
    assert refused == []


def test_charts_take_the_colours_of_the_theme(page: Page, shown: Shown) -> None:
    inks = set()
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        opened(page, f"/vehicles/{shown.at_work.done.vehicle.vin}/")
        inks.add(page.eval_on_selector(".chart .fill-ink", "each => getComputedStyle(each).fill"))
    assert len(inks) == 2


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without"])
def test_a_decision_is_made_on_a_phone(browser: Browser, origin: str, shown: Shown, scripts: bool) -> None:
    context = browser.new_context(base_url=origin, viewport=PHONE, java_script_enabled=scripts)
    client = browser_of(shown.site.manager)
    client.get("/choose-workshop/")
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": origin}])
    page = context.new_page()
    opened(page, "/")
    page.locator(f'a[href="{shown.asked.approval_path}"]').first.click()
    page.get_by_role("button", name="Record the decision").click()
    summary = page.locator("[data-error-summary]")
    expect(summary).to_be_visible()
    if scripts:
        expect(summary).to_be_focused()
    page.get_by_label("Approve").check()
    page.get_by_label("Why").fill("Looked at the vehicle.")
    page.get_by_role("button", name="Record the decision").click()
    expect(page.get_by_text("Approved.").first).to_be_visible()
    expect(page.get_by_role("button", name="Record the decision")).to_have_count(0)
    context.close()


def test_a_file_of_many_columns_is_scrolled_within_its_frame(context: BrowserContext) -> None:
    page = context.new_page()
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto("/imports/new/")
    row = ",".join(f"column_{each}" for each in range(30))
    page.get_by_label("File", exact=True).set_input_files(
        {"name": "wide.csv", "mimeType": "text/csv", "buffer": f"{row}\n{row}\n".encode()}
    )
    with page.expect_navigation():
        page.get_by_role("button", name="Look at its columns").click()
    frame = page.locator(".table-frame")
    assert frame.evaluate("each => each.scrollWidth > each.clientWidth")
    assert sideways_px(page) == 0

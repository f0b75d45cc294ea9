"""Every page of the service in Chromium: for everybody, in both themes, enlarged fourfold, by keyboard.

The pages come from the table of addresses: one that `every_page` does not visit fails the first test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import pytest
from django.core.cache import cache
from django.template.loader import render_to_string
from playwright.sync_api import Browser, BrowserContext, Page, Route
from pytest_django import Settings

from deploy.tls.authority import local_certificate
from tests.browser.fixtures import served
from tests.browser.seen import axe_findings, open_all, pressable_places, sideways_px, tabbed_through, targets
from tests.factories import make_site

from .every_page import FILES, NEVER_REFUSED, STEPS, House, Person, Visit, has_form, name_of, names_in_the_table

DESK: Final[Any] = {"width": 1280, "height": 900}
ENLARGED: Final[Any] = {"width": 320, "height": 256}
"""1280 by 1024 enlarged fourfold (WCAG 2.2, 1.4.10)."""
TARGET_PX: Final = 32
"""More than the 24 of WCAG 2.2, 2.5.8."""
ERRORS: Final = ("400", "403", "404", "500")
EMPTIED: Final = """() => {
    const forms = [...document.querySelectorAll('main form[method=post]')];
    const form = forms.find(each => new URL(each.action).pathname === location.pathname);
    for (const each of form.elements) {
        if (each.type === 'hidden') continue;
        if (each.type === 'checkbox' || each.type === 'radio') each.checked = false;
        else if (each.tagName !== 'BUTTON') { each.required = false; each.value = ''; }
    }
    form.noValidate = true;
    form.requestSubmit();
}"""

DRAWN_BY_A_SCRIPT: Final = {"/bench/": "Enrol this tablet"}
"""What does not stand yet when the page is loaded, and the heading that says that it does."""


@pytest.fixture(scope="module")
def house(django_db_setup: None, django_db_blocker: Any) -> Iterator[tuple[House, list[Person]]]:
    with django_db_blocker.unblock():
        cache.clear()
        built = House.of(make_site())
        yield built, built.people()


@pytest.fixture
def service(
    house: Any, committed_db: None, settings: Settings, tmp_path: Path, django_db_blocker: Any
) -> Iterator[str]:
    """With a local authority, so that the page which explains it is there."""
    local_certificate(tmp_path, ["localhost"], now=datetime.now(UTC))
    settings.LOCAL_AUTHORITY = next(tmp_path.rglob("*authority*.crt"))
    cache.clear()
    with served() as address:
        yield address


def opened_by(person: Person, browser: Browser, origin: str) -> BrowserContext:
    context = browser.new_context(base_url=origin, viewport=DESK, reduced_motion="reduce")
    if person.session:
        context.add_cookies([{"name": "sessionid", "value": person.session, "url": origin}])
    return context


def faults_of(page: Page) -> list[str]:
    """What is wrong with the page as it stands, in both themes, for the keyboard, the finger and enlarged."""
    open_all(page)
    found = axe_findings(page)
    page.emulate_media(color_scheme="dark")
    found += [f"dark {each}" for each in axe_findings(page, only=["color-contrast"])]
    page.emulate_media(color_scheme="light")
    found += [f"small: {each.name}" for each in targets(page) if each.height < TARGET_PX and not each.is_in_text]
    reached = tabbed_through(page)
    missed = pressable_places(page).keys() - {focus.place for focus in reached}
    found += [f"not reached: {pressable_places(page)[place]}" for place in missed]
    found += [f"focus unseen: {focus.name}" for focus in reached if not focus.is_visible]
    if [focus.place for focus in reached] != sorted(focus.place for focus in reached):
        found.append("reached out of order")
    page.set_viewport_size(ENLARGED)
    if (wide := sideways_px(page)) > 0:
        found.append(f"wider than the window by {wide} px")
    page.set_viewport_size(DESK)
    return found


def visited(page: Page, visit: Visit) -> list[str]:
    answer = page.goto(visit.path)
    assert answer is not None
    if visit.pressed:
        page.locator("main").get_by_role("button", name=visit.pressed, exact=True).first.click()
        page.wait_for_load_state()
    if visit.path in DRAWN_BY_A_SCRIPT:
        page.get_by_role("heading", name=DRAWN_BY_A_SCRIPT[visit.path]).wait_for()
        page.wait_for_load_state("networkidle")
    wrong = [] if answer.status == visit.status else [f"status {answer.status}"]
    return [*wrong, *faults_of(page)]


def sent_empty(page: Page, path: str) -> list[str]:
    """A form that came back says why, takes the focus there, and each line leads to its field."""
    page.goto(path)
    with page.expect_navigation():
        page.evaluate(EMPTIED)
    if not page.evaluate("document.activeElement.matches('[data-error-summary]')"):
        return ["the summary of errors has not the focus"]
    links = page.locator("[data-error-summary] a")
    if links.count() and not page.evaluate(
        "[...document.querySelectorAll('[data-error-summary] a')].every(each => document.querySelector(each.hash))"
    ):
        return ["a line of the summary leads nowhere"]
    return faults_of(page)


def test_no_page_is_left_out(house: tuple[House, list[Person]]) -> None:
    """Of a page that nobody listed the name would stand here."""
    _house, people = house
    seen = {name_of(visit.path) for person in people for visit in person.visits if visit.status != 404}
    pressed = {"tablet_enrolment"}
    assert names_in_the_table() - seen - pressed - FILES - STEPS == set()
    assert not (FILES | STEPS | NEVER_REFUSED) - names_in_the_table(), "an exception for what there is not"


def test_no_form_is_left_out(house: tuple[House, list[Person]]) -> None:
    _house, people = house
    with_form = {name_of(v.path) for p in people for v in p.visits if v.status == 200 and has_form(v.path)}
    sent = {name_of(path) for person in people for path in person.forms}
    assert with_form - sent - NEVER_REFUSED == set()


WHO: Final = (
    "nobody",
    "manager",
    "with a second factor",
    "with the password only",
    "technician",
    "manager of an empty workshop",
)


def test_everybody_is_here(house: tuple[House, list[Person]]) -> None:
    assert tuple(person.who for person in house[1]) == WHO


@pytest.fixture
def look(house: Any, browser: Browser, service: str) -> Iterator[Callable[[str], tuple[Person, Page]]]:
    contexts: list[BrowserContext] = []

    def opened(who: str) -> tuple[Person, Page]:
        person = next(each for each in house[1] if each.who == who)
        contexts.append(opened_by(person, browser, service))
        return person, contexts[-1].new_page()

    yield opened
    for context in contexts:
        context.close()


@pytest.mark.parametrize("who", WHO)
def test_every_page_is_for_everybody(look: Callable[[str], tuple[Person, Page]], who: str) -> None:
    person, page = look(who)
    leaving = [visit for visit in person.visits if visit.path == "/sign-out/"]
    found = {v.said: visited(page, v) for v in [*(v for v in person.visits if v not in leaving), *leaving]}
    assert {said: faults for said, faults in found.items() if faults} == {}


@pytest.mark.parametrize("who", WHO)
def test_every_form_that_comes_back_leads_to_what_is_wrong(
    look: Callable[[str], tuple[Person, Page]], who: str
) -> None:
    person, page = look(who)
    found = {path: sent_empty(page, path) for path in person.forms if name_of(path) not in NEVER_REFUSED}
    assert {path: faults for path, faults in found.items() if faults} == {}


def test_pages_of_errors_are_for_everybody(look: Callable[[str], tuple[Person, Page]]) -> None:
    """As they are answered without anything of a request: see `test_errors.py` for when."""
    _person, page = look("nobody")
    found = {}
    for status in ERRORS:
        body = render_to_string(f"{status}.html")
        page.route(f"**/fault/{status}/", partial(Route.fulfill, content_type="text/html", body=body))
        page.goto(f"/fault/{status}/")
        assert page.get_by_role("link", name="To the first page").is_visible()
        found[status] = faults_of(page)
    assert {status: faults for status, faults in found.items() if faults} == {}


@pytest.mark.parametrize(
    ("seeded", "told"),
    [
        ("document.querySelector('label.field-label').remove()", "label:"),
        ("document.querySelector('.button-main').tabIndex = -1", "not reached:"),
        ("document.querySelector('main').style.minWidth = '400px'", "wider than the window"),
        ("document.querySelector('.button-main').style.cssText = 'height: 8px; min-height: 0; padding: 0'", "small:"),
        ("document.querySelector('h1').style.color = '#345'", "dark color-contrast:"),
    ],
)
def test_a_fault_would_be_found(look: Callable[[str], tuple[Person, Page]], seeded: str, told: str) -> None:
    """Negative controls."""
    _person, page = look("nobody")
    page.goto("/sign-in/")
    page.evaluate(seeded)
    assert any(each.startswith(told) for each in faults_of(page))

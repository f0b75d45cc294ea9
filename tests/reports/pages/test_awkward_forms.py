"""What no database takes, sent in every field of every form: a page answers, and never a fault of the service."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import pytest
from django.test import Client

from tests.factories import Site
from tests.fleet.pages import form_cases as set_up
from tests.fleet.pages.conftest import Furnished, furnish
from tests.fleet.pages.forms import errors_in, form_of
from tests.fleet.signin.browsers import browser_of

from .every_page import House
from .test_every_form import cases, own_address

AWKWARD: Final = {
    "NUL": "a\x00b",
    "ten kilobytes": "x" * 10_240,
    "huge number": "9" * 400,
    "beyond the column": "99999999999999999999",
    "tiny fraction": "0." + "0" * 60 + "1",
    "exponent": "1e308",
    "not a number": "NaN",
    "lone surrogate": "\ud800",
}


@pytest.fixture
def furnished(site: Site) -> Furnished:
    return furnish(site)


@pytest.fixture
def house(site: Site) -> House:
    return House.of(site)


@pytest.mark.parametrize("name", set_up.NAMES)
def test_what_no_database_takes_is_refused_in_the_form(furnished: Furnished, name: str) -> None:
    """A page, and never a fault of the service."""
    manager = browser_of(furnished.site.manager)
    case = set_up.cases(furnished)[name]
    right = form_of(manager.get(case.path)).filled(**case.typed)
    for field, what, status in answers_to_awkward(manager, case.path, right):
        assert status in (200, 302, 404, 409, 412, 422), (field, what)


def test_what_no_database_takes_is_refused_elsewhere(house: House) -> None:
    for case in cases(house):
        page = case.browser.get(case.path)
        right = form_of(page, own_address(page, case.path)).filled(
            **{n: v for n, v in case.typed.items() if isinstance(v, str)}
        )
        for field, what, status in answers_to_awkward(case.browser, case.path, right):
            assert status in (200, 302, 409, 412, 422, 429), (case.path, field, what)


def answers_to_awkward(browser: Client, path: str, right: dict[str, list[str]]) -> Iterator[tuple[str, str, int]]:
    """All fields awkward at once, each in every way; then what was not refused there by itself, the others right."""
    fields = [field for field in right if field != "csrfmiddlewaretoken"]
    ways = list(AWKWARD)
    for shift in range(len(ways)):
        chosen = {field: ways[(at + shift) % len(ways)] for at, field in enumerate(fields)}
        answer = browser.post(path, {**right, **{field: awkward(what) for field, what in chosen.items()}})
        yield "all", str(shift), answer.status_code
        refused = errors_in(answer) if answer.status_code in (200, 422) else {}
        for field in fields:
            if field not in refused:
                alone = browser.post(path, {**right, field: awkward(chosen[field])})
                yield field, chosen[field], alone.status_code


def awkward(what: str) -> list[str]:
    return [AWKWARD[what].encode("utf-8", "replace").decode()]


TEXTS: Final = frozenset({"name", "note", "reason", "explanation", "address"})


def test_no_text_turns_the_reading_direction_or_is_of_what_cannot_be_seen(house: House) -> None:
    """A certificate states some of them: it must read as it was signed."""
    tried = set()
    for case in cases(house):
        page = case.browser.get(case.path)
        form = form_of(page, own_address(page, case.path))
        right = form.filled(**{n: v for n, v in case.typed.items() if isinstance(v, str)})
        for field in TEXTS & case.typed.keys():
            tried.add(field)
            for text in ("a\u202eb", "a\x07b", *(["\u200b"] if case.typed[field] else [])):
                answer = case.browser.post(case.path, {**right, field: [text]})
                assert answer.status_code == 422, (case.path, field, text)
                assert field in errors_in(answer), (case.path, field, text)
    assert {"name", "note", "reason"} <= tried

"""Lists of the set-up: searched, sorted, in parts, with the same few queries however long they are."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.pages.changing import ListPage
from tests.factories import Site

from .conftest import Furnished

QUERIES = {
    "/people/": 9,
    "/operators/": 9,
    "/bays/": 9,
    "/instruments/": 11,
    "/vehicle-models/": 9,
    "/vehicles/labels/": 8,
    "/first-steps/": 22,
}
"""Of which seven are the session, its person and workshop, and the epoch."""


def headings_of(page: Any) -> list[str]:
    """The first cell of every row."""
    cells = re.findall(r'<th role="rowheader" scope="row">(.*?)</th>', page.content.decode(), re.DOTALL)
    return [re.sub(r"<[^>]+>", "", cell).strip() for cell in cells]


def queries_of(browser: Client, path: str) -> int:
    browser.get(path)
    with CaptureQueriesContext(connection) as counted:
        assert browser.get(path).status_code == 200
    return len(
        [each for each in counted if not each["sql"].startswith(("SAVEPOINT", "RELEASE", "SET", "SELECT set_config"))]
    )


def add_many(site: Site, number: int) -> None:
    for _ in range(number):
        site.vehicle()
        site.bay()
        site.instrument()
        site.person("technician")


@pytest.mark.parametrize("path", list(QUERIES))
def test_a_longer_list_asks_the_database_no_more(furnished: Furnished, manager: Client, path: str) -> None:
    before = queries_of(manager, path)
    add_many(furnished.site, 3)
    assert queries_of(manager, path) == before
    assert before == QUERIES[path]


def test_a_column_is_sorted_by_pressing_its_head_and_falls_when_pressed_again(site: Site, manager: Client) -> None:
    for name in ("Bay C", "Bay A", "Bay B"):
        site.bay(name=name)
    page = manager.get("/bays/")
    assert headings_of(page) == ["Bay A", "Bay B", "Bay C"]
    assert 'aria-sort="ascending"' in page.content.decode()
    assert headings_of(manager.get("/bays/?sort=-name")) == ["Bay C", "Bay B", "Bay A"]
    assert 'href="?sort=-name"' in page.content.decode()
    assert headings_of(manager.get("/bays/?sort=password")) == ["Bay A", "Bay B", "Bay C"]


def test_a_list_comes_in_parts_that_keep_search_and_order(
    site: Site, manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ListPage, "rows_shown", 2)
    for letter in "ABCDE":
        site.operator(name=f"Lodge {letter}")
    site.operator(name="Tarn")
    page = manager.get("/operators/?q=lodge&sort=-name&page=2")
    assert headings_of(page) == ["Lodge C", "Lodge B"]
    for link in ("?q=lodge&amp;sort=-name&amp;page=1", "?q=lodge&amp;sort=-name&amp;page=3"):
        assert f'href="{link}"' in page.content.decode()
    assert "3 to 4 of 5" in page.content.decode()


@pytest.mark.parametrize("page", ["0", "-1", "x", "9" * 40, "99", "\u0662"])
def test_a_part_that_is_none_is_the_nearest_there_is(site: Site, manager: Client, page: str) -> None:
    site.operator(name="Tarn")
    assert headings_of(manager.get("/operators/", {"page": page})) == ["Tarn"]


@pytest.mark.parametrize(
    ("path", "text", "found"),
    [
        ("/operators/", "FLEET@", "Tarn Lodge"),
        ("/vehicle-models/", "corve 12", "Corve Haul 12"),
        ("/instruments/", "zx-9", "ZX-904"),
        ("/bays/", "door", "Bay by the door"),
    ],
)
def test_a_list_is_searched_in_whatever_case(
    furnished: Furnished, manager: Client, path: str, text: str, found: str
) -> None:
    site = furnished.site
    site.operator(name="Tarn Lodge", email="fleet@tarn-lodge.example")
    site.vehicle_model(make="Corve", name="Haul 12")
    site.instrument(serial="ZX-904")
    site.bay(name="Bay by the door")
    assert headings_of(manager.get(path, {"q": text})) == [found]
    assert headings_of(manager.get(path, {"q": "no-such-thing"})) == []
    assert manager.get(path, {"q": "\x00%_\\'"}).status_code == 200

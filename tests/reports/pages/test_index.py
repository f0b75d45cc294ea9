"""The index of pages: in groups, and of each group only what its reader may open."""

from __future__ import annotations

import re

import pytest

from tests.factories import Person, Site, make_site
from tests.fleet.signin.browsers import browser_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def site() -> Site:
    return make_site()


def index_of(person: Person) -> dict[str, list[str]]:
    browser = browser_of(person)
    browser.get("/choose-workshop/")
    page = browser.get("/account/")
    groups = page.context["navigation"]
    shown = re.findall(r'<p class="index-heading"[^>]*>([^<]+)</p>', page.content.decode())
    assert shown == [str(group.heading) for group in groups]
    return {str(group.heading): [str(line.label) for line in group.entries] for group in groups}


def test_a_manager_finds_the_days_work_first_and_what_is_set_up_once_last(site: Site) -> None:
    index = index_of(site.manager)
    assert list(index) == ["Work", "Basics", "Workshop", "You"]
    assert index["Work"][:3] == ["Today", "Vehicles", "Approvals and rulings"]
    assert "Instruments" in index["Basics"]
    assert {"People", "Exports", "First steps"} <= set(index["Workshop"])
    assert index["You"] == ["Your account"]


def test_a_technician_is_shown_no_page_that_they_may_not_open(site: Site) -> None:
    index = index_of(site.technician)
    assert index["Workshop"] == ["Tablets"]
    assert all(index.values()), "no heading with nothing below it"
    assert [line for line in index["Work"] if line not in index_of(site.manager)["Work"]] == []

"""Who may open which page of the set-up."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver

from fleet.pages.set_up_urls import urlpatterns
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of

from .conftest import Furnished

RANKS = {"auditor": {"reader"}, "technician": {"reader", "worker"}, "manager": {"reader", "worker", "manager"}}


def names(patterns: list[URLPattern | URLResolver]) -> set[str]:
    found: set[str] = set()
    for each in patterns:
        found |= names(each.url_patterns) if isinstance(each, URLResolver) else {str(each.name)}
    return found


def test_every_address_of_the_set_up_is_looked_at_here(furnished: Furnished) -> None:
    from django.urls import resolve

    looked_at = {resolve(path.partition("?")[0]).url_name for path in furnished.pages()}
    assert looked_at | {"person_invitation", "person_token_revocation"} == names(urlpatterns)


def test_who_has_not_signed_in_is_led_to_the_sign_in_and_back(furnished: Furnished) -> None:
    for path in furnished.pages():
        answer = Client().get(path)
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in/?{urlencode({'next': path}, safe='/')}")
        assert Client().post(path).status_code in (302, 405)


@pytest.mark.parametrize("role", list(RANKS))
def test_each_role_opens_what_it_may_and_nothing_else(
    furnished: Furnished, browser_with: Callable[..., Client], role: str
) -> None:
    browser = browser_with(role)
    for path, needed in furnished.pages().items():
        expected = 200 if needed in RANKS[role] else 403
        assert (path, browser.get(path).status_code) == (path, expected)
        if expected == 403:
            assert (path, browser.post(path).status_code) == (path, 403)


def test_an_operators_contact_opens_none_of_them(furnished: Furnished, browser_with: Callable[..., Client]) -> None:
    browser = browser_with("operator_contact", operator=furnished.operator.pk)
    for path in furnished.pages():
        assert (path, browser.get(path).status_code) == (path, 403)


def test_what_belongs_to_another_workshop_does_not_exist(furnished: Furnished, other_site: Site) -> None:
    browser = browser_of(other_site.manager)
    own = {"/first-steps/", "/settings/", "/people/", "/operators/", "/bays/", "/instruments/", "/vehicle-models/"}
    for path in furnished.pages():
        is_own = path in own or (path.endswith(("/new/", "/labels/")) and path.count("/") == 3)
        assert (path, browser.get(path).status_code) == (path, 200 if is_own else 404)
        assert is_own or browser.post(path).status_code in (404, 405)


def test_the_index_leads_to_what_one_may_open(furnished: Furnished, browser_with: Callable[..., Client]) -> None:
    def index(browser: Client) -> set[str]:
        page = browser.get("/operators/").content.decode()
        return {path for path in ("/people/", "/settings/", "/first-steps/", "/bays/") if f'href="{path}"' in page}

    assert index(browser_with("manager")) == {"/people/", "/settings/", "/first-steps/", "/bays/"}
    assert index(browser_with("auditor")) == {"/bays/"}

"""A form that is sent after the session has ended: what was typed is kept for the same person, and for nobody else."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.models import BrowserSession, Operator
from fleet.sign_in import kept_entries
from fleet.sign_in.ciphers import cipher
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Person
from tests.fleet.signin.browsers import browser_of, set_up_app, sign_in, totp_code
from tests.fleet.signin.test_tablets import tablet_of

from .conftest import Furnished
from .form_cases import NAMES, cases
from .forms import form_of

PAGE = "/operators/new/"
TYPED = {"name": "Tarn Lodge", "email": "fleet@tarn-lodge.example", "address": "Quay 4\nTarn"}
KEPT = "What you typed is kept for an hour"
NOT_KEPT = "nothing of what you sent was stored"
FILLED_IN = "What you typed stands here again"


def sent_too_late(browser: Client, path: str, **typed: Any) -> tuple[dict[str, list[str]], Any]:
    """What was sent after the session's cookie had lapsed, and the answer."""
    browser.get("/choose-workshop/")
    sent = form_of(browser.get(path)).filled(**typed)
    del browser.cookies["sessionid"]
    return sent, browser.post(path, sent)


def back(browser: Client, person: Person, led_to: Any) -> Any:
    """The page to which signing in at the page that one was led to leads in the end."""
    answer = browser.post(led_to["Location"], {"login": person.email, "password": person.password}, follow=True)
    assert answer.status_code == 200
    return answer


def said(page: Any) -> str:
    return unescape(page.content.decode())


@pytest.mark.parametrize("name", NAMES)
def test_every_form_is_filled_in_again(furnished: Furnished, manager: Client, name: str) -> None:
    case = cases(furnished)[name]
    sent, led_to = sent_too_late(manager, case.path, **case.typed)
    assert KEPT in said(manager.get(led_to["Location"]))
    page = back(manager, furnished.site.manager, led_to)
    shown = form_of(page).values
    for values in (shown, sent):
        values.pop("csrfmiddlewaretoken", None)
    assert FILLED_IN in said(page)
    assert shown == sent


def test_nothing_is_stored_until_it_is_sent_and_then_once(furnished: Furnished, manager: Client) -> None:
    _sent, led_to = sent_too_late(manager, PAGE, **TYPED)
    page = back(manager, furnished.site.manager, led_to)
    assert recorded(furnished) == 0
    assert manager.post(PAGE, form_of(page).values).status_code == 302
    assert recorded(furnished) == 1
    again = manager.get(PAGE)
    assert FILLED_IN not in said(again)
    assert form_of(again).values["name"] == [""]


def test_another_person_gets_nothing_of_it_nor_the_first_one_afterwards(furnished: Furnished, manager: Client) -> None:
    _sent, led_to = sent_too_late(manager, PAGE, **TYPED)
    page = back(manager, furnished.site.person("manager"), led_to)
    assert FILLED_IN not in said(page)
    assert "Tarn Lodge" not in said(page)
    assert kept_entries.PURPOSE not in manager.session
    manager.post("/sign-out/")
    assert "Tarn Lodge" not in said(back(manager, furnished.site.manager, led_to))


def test_it_is_encrypted_and_without_what_is_secret(furnished: Furnished, manager: Client) -> None:
    sent_too_late(manager, PAGE, **TYPED, own_password=PASSWORD, pin="0471", pin_again="0471")
    kept = manager.session[kept_entries.PURPOSE]
    assert "Tarn" not in str(dict(manager.session))
    plain = cipher(kept_entries.PURPOSE).decrypt(kept.encode()).decode()
    assert "Tarn" in plain
    for secret in (PASSWORD, "0471", "pin", "csrf"):
        assert secret not in plain, secret


def test_they_are_kept_through_a_second_factor(furnished: Furnished, manager: Client) -> None:
    secret = set_up_app(manager, furnished.site.manager)
    _sent, led_to = sent_too_late(manager, PAGE, **TYPED)
    asked = back(manager, furnished.site.manager, led_to)
    assert "Tarn Lodge" not in said(asked)
    code = totp_code(secret, at=time.time() + 30)
    page = manager.post(asked.request["PATH_INFO"], {"code": code}, follow=True)
    page = manager.get(PAGE) if page.request["PATH_INFO"] != PAGE else page
    assert form_of(page).values["name"] == ["Tarn Lodge"]


def test_they_are_kept_where_only_the_workshops_session_has_ended(furnished: Furnished, manager: Client) -> None:
    manager.get("/choose-workshop/")
    sent = form_of(manager.get(PAGE)).filled(**TYPED)
    with in_workshop(furnished.site.workshop.pk):
        BrowserSession.objects.update(ended_at=timezone.now())
    led_to = manager.post(PAGE, sent)
    assert led_to["Location"] == f"/choose-workshop/?next={PAGE}"
    page = manager.get(led_to["Location"], follow=True)
    assert form_of(page).values["name"] == ["Tarn Lodge"]


@pytest.mark.parametrize(
    ("origin", "is_kept"), [("http://testserver", True), ("http://elsewhere.example", False), (None, False)]
)
def test_they_are_kept_where_somebody_signed_in_anew_in_another_tab(
    furnished: Furnished, origin: str | None, is_kept: bool
) -> None:
    """A form of the time before has an old token; no other site fills in anything."""
    person, browser = furnished.site.manager, Client(enforce_csrf_checks=True)

    def sign_in_anew() -> None:
        token = form_of(browser.get("/sign-in/"), "").values["csrfmiddlewaretoken"]
        browser.post("/sign-in/", {"login": person.email, "password": person.password, "csrfmiddlewaretoken": token})
        browser.get("/choose-workshop/")

    sign_in_anew()
    sent = form_of(browser.get(PAGE)).filled(**TYPED)
    browser.cookies.pop("sessionid")
    sign_in_anew()
    answer = browser.post(PAGE, sent, headers={"Origin": origin} if origin else {})
    assert (answer.status_code, kept_entries.PURPOSE in browser.session) == ((302, True) if is_kept else (403, False))
    page = browser.get(PAGE)
    assert (FILLED_IN in said(page), "Tarn Lodge" in said(page)) == (is_kept, is_kept)
    assert recorded(furnished) == 0


def test_preferences_and_names_of_tablets_are_kept_too(furnished: Furnished, manager: Client) -> None:
    _client, enrolled = tablet_of(furnished.site)
    for path, typed in (
        ("/account/preferences/", {"language": "de"}),
        (f"/tablets/{enrolled}/", {"name": "By the lift"}),
    ):
        sent, led_to = sent_too_late(manager, path, **typed)
        page = back(manager, furnished.site.manager, led_to)
        shown = form_of(page).values
        assert {name: shown[name] for name in typed} == {name: sent[name] for name in typed}, path


def without_cookie(browser: Client, _monkeypatch: pytest.MonkeyPatch) -> None:
    del browser.cookies[kept_entries.LAST_PERSON]


def with_forged_cookie(browser: Client, _monkeypatch: pytest.MonkeyPatch) -> None:
    browser.cookies[kept_entries.LAST_PERSON] = "00000000-0000-0000-0000-000000000000:1uMnop:forged"


def with_too_much(_browser: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_entries, "MOST_CHARACTERS", 50)


@pytest.mark.parametrize("spoil", [without_cookie, with_forged_cookie, with_too_much])
def test_where_it_cannot_be_kept_that_is_said_at_once(
    furnished: Furnished,
    manager: Client,
    monkeypatch: pytest.MonkeyPatch,
    spoil: Callable[[Client, pytest.MonkeyPatch], None],
) -> None:
    manager.get("/")
    sent = {**form_of(manager.get(PAGE)).values, "name": "Tarn Lodge"}
    manager.cookies.pop("sessionid")
    spoil(manager, monkeypatch)
    led_to = manager.post(PAGE, sent)
    assert led_to["Location"] == f"/sign-in/?next={PAGE}"
    assert NOT_KEPT in said(manager.get(led_to["Location"]))
    page = back(manager, furnished.site.manager, led_to)
    assert page.request["PATH_INFO"] == PAGE
    assert "Tarn Lodge" not in said(page)


def test_after_an_hour_it_is_gone(furnished: Furnished, manager: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    _sent, led_to = sent_too_late(manager, PAGE, **TYPED)
    monkeypatch.setattr(kept_entries, "KEPT_FOR", timedelta(seconds=-1))
    assert "Tarn Lodge" not in said(back(manager, furnished.site.manager, led_to))


def test_a_secret_is_never_kept(furnished: Furnished, manager: Client) -> None:
    path = "/account/pin/"
    _sent, led_to = sent_too_late(manager, path, password=PASSWORD, pin="0471", pin_again="0471")
    assert led_to["Location"] == f"/sign-in/?next={path}"
    assert kept_entries.PURPOSE not in manager.session
    assert NOT_KEPT in said(manager.get(led_to["Location"]))


def test_an_address_without_a_page_leads_to_the_first_one(furnished: Furnished) -> None:
    browser = Client()
    led_to = browser.post("/tablets/enrolment/")
    assert NOT_KEPT in said(browser.get(led_to["Location"]))
    _browser, answer = sign_in(furnished.site.manager.email, PASSWORD, browser)
    assert answer["Location"] == "/choose-workshop/"


def test_a_page_that_is_only_opened_says_nothing_of_it(furnished: Furnished) -> None:
    browser = Client()
    led_to = browser.get(PAGE)
    assert "session had ended" not in said(browser.get(led_to["Location"]))


def test_the_cookie_opens_nothing(furnished: Furnished) -> None:
    browser = browser_of(furnished.site.manager)
    browser.get("/choose-workshop/")
    browser.get(PAGE)
    cookie = browser.cookies[kept_entries.LAST_PERSON]
    assert (cookie["httponly"], cookie["samesite"]) == (True, "Lax")
    del browser.cookies["sessionid"]
    assert browser.get(PAGE).status_code == 302


def recorded(has: Furnished) -> int:
    with in_workshop(has.site.workshop.pk):
        return Operator.objects.filter(name=TYPED["name"]).count()

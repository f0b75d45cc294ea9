"""Each person's pages are in the language that they chose, or that their browser asks for."""

from __future__ import annotations

import html

import pytest
from django.test import Client

from fleet.models import Membership
from fleet.tenancy import in_workshop
from tests.catalogues import APPS, catalogue_of, only_described
from tests.fleet.signin.browsers import browser_of

from .conftest import Furnished
from .forms import form_of, send

PREFERENCES = "/account/preferences/"
OWN = ("/account/", "/account/password/", "/account/pin/", PREFERENCES, "/account/sign-ins/", "/sign-ins/", "/tablets/")


def heading(browser: Client, path: str, asked: str) -> tuple[str, str, str]:
    """Of the page: its own name for the language, the answer's header, and its heading."""
    answer = browser.get(path, headers={"Accept-Language": asked})
    page = answer.content.decode()
    heading = page.split("<h1", 1)[1].split(">", 1)[1].split("</h1>", 1)[0].strip()
    return page.split('<html lang="', 1)[1].split('"', 1)[0], answer["Content-Language"], heading


class TestChoice:
    @pytest.mark.parametrize(
        ("asked", "shown"),
        [("de-AT,de;q=0.9,en;q=0.5", "de"), ("en-GB,de;q=0.5", "en"), ("fr", "en"), ("", "en")],
    )
    def test_the_browser_is_heard_signed_in_or_not(self, manager: Client, asked: str, shown: str) -> None:
        accounts = {"de": "Ihr Konto", "en": "Your account"}
        sign_ins = {"de": "Anmelden", "en": "Sign in"}
        assert heading(manager, "/account/", asked) == (shown, shown, accounts[shown])
        assert heading(Client(), "/sign-in/", asked) == (shown, shown, sign_ins[shown])

    def test_what_a_person_chose_goes_before_it_until_they_leave_it_to_the_browser_again(
        self, furnished: Furnished, manager: Client
    ) -> None:
        answer = send(manager, PREFERENCES, language="de")
        assert answer.status_code == 302
        account = words(manager.get("/account/").content.decode())
        assert {"Seiten werden gezeigt, wie Sie es gewählt haben.", "Deutsch"} <= set(account)
        assert heading(manager, "/bays/", "en") == ("de", "de", "Arbeitsplätze")
        assert heading(browser_of(furnished.site.technician), "/bays/", "en")[0] == "en"
        assert form_of(manager.get(PREFERENCES)).values["language"] == ["de"]
        send(manager, PREFERENCES, language="")
        assert heading(manager, "/bays/", "en") == ("en", "en", "Bays")
        assert "as the browser asks" in words(manager.get("/account/").content.decode())

    def test_a_refusal_is_in_it_too(self, manager: Client) -> None:
        send(manager, PREFERENCES, language="de")
        page = manager.get("/people/0192f0c1-0000-7000-8000-000000000000/", headers={"Accept-Language": "en"})
        assert page.status_code == 404
        assert "Hier gibt es nichts, was Sie sehen dürfen." in page.content.decode()

    def test_a_device_of_many_people_stays_with_its_browser(self, manager: Client) -> None:
        send(manager, PREFERENCES, language="de")
        asked = {"Accept-Language": "en"}
        assert '<html lang="en"' in manager.get("/bench/", headers=asked).content.decode()
        assert manager.get("/api/v1/no-such/", headers=asked).json()["title"] == "Not found"

    def test_the_unit_is_chosen_on_the_same_page(self, furnished: Furnished, manager: Client) -> None:
        send(manager, PREFERENCES, length_unit="inch")
        with in_workshop(furnished.site.workshop.pk):
            me = Membership.objects.get(pk=furnished.site.manager.membership.pk)
        assert (me.length_unit, me.language) == ("inch", "")

    @pytest.mark.parametrize("wrong", [{"language": "xx"}, {"length_unit": "ell"}])
    def test_what_is_not_offered_is_refused(self, manager: Client, wrong: dict[str, str]) -> None:
        assert send(manager, PREFERENCES, **wrong).status_code == 422


class TestGerman:
    def test_no_page_shows_an_english_text(self, furnished: Furnished, manager: Client) -> None:
        """Neither one that is translated, but too early, nor one that only the interface's description should show."""
        described = [text for app in APPS for text in only_described(app, "de") if " " in text]
        assert len(described) > 50
        german = catalogue_of("fleet", "de")
        english = {text for text, translated in german.items() if translated != text and len(text) > 9}
        assert english & set(words(manager.get("/bays/").content.decode()))
        for path in (*OWN, *furnished.pages()):
            page = in_german(manager, path)
            assert (path, english & set(words(page))) == (path, set())
            assert (path, [text for text in described if text in html.unescape(page)]) == (path, [])

    def test_a_decimal_comma_is_shown_and_taken(self, furnished: Furnished, manager: Client) -> None:
        path = f"/bays/{furnished.bay.pk}/"
        asked = {"Accept-Language": "de"}
        form = form_of(manager.get(path, headers=asked))
        assert form.values["pad_levels_mm-RR"] == ["-12,7"]
        sent = form.filled(pad_levels_mm__RR="-12,9")
        assert manager.post(path, sent, headers=asked).status_code == 302
        assert "\u221212,9\u00a0mm" in in_german(manager, "/bays/")


def in_german(browser: Client, path: str) -> str:
    return browser.get(path, headers={"Accept-Language": "de"}).content.decode()


def words(page: str) -> list[str]:
    """Every run of text between two tags."""
    pieces = [piece.split(">", 1)[-1] for piece in page.split("<")]
    return [" ".join(html.unescape(piece).split()) for piece in pieces]


def test_the_description_of_the_interface_stays_english(client: Client) -> None:
    answer = client.get("/api/v1/schema/?format=json&lang=de", headers={"Accept-Language": "de"})
    described = answer.content.decode()
    assert "Vehicle identification number (ISO 3779), 17 characters." in described
    assert "Fahrzeug" not in described

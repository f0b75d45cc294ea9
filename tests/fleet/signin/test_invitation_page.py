"""The page of an invitation: the invited person sets what only they know, without any script."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.models import Invitation, Membership, User
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Site

from .browsers import browser_of, is_in, refusals_of, sign_in

EMAIL = "kim@example.com"
OWN = "another-lamp-of-oak-7"


def invite(site: Site, email: str = EMAIL, roles: Sequence[str] = ("technician",)) -> str:
    body = {"email": email, "name": "Kim Arden", "roles": list(roles)}
    answer = site.manager.client().post("/api/v1/people/", body)
    assert answer.status_code == 201, answer.content
    return str(answer.json()["invitation"])


def accept(code: str, **changes: Any) -> Any:
    return Client().post(f"/invitation/{code}/", {"password": OWN, "pin": "0471", **changes})


def test_the_page_names_workshop_and_person_and_needs_no_script(site: Site) -> None:
    page = Client().get(f"/invitation/{invite(site)}/").content.decode()
    assert site.workshop.name in page
    assert "Kim Arden" in page
    assert 'autocomplete="new-password"' in page
    assert "onsubmit" not in page


def test_the_invited_person_signs_in_with_what_they_set(site: Site) -> None:
    code = invite(site)
    answer = accept(code)
    assert (answer.status_code, answer["Location"]) == (302, f"/invitation/{code}/accepted/")
    assert 'href="/sign-in/"' in Client().get(answer["Location"]).content.decode()
    browser, _answer = sign_in(EMAIL, OWN)
    assert is_in(browser)
    with in_workshop(site.workshop.pk):
        assert Membership.objects.get(user__email=EMAIL).pin


def test_who_works_at_tablets_is_told_how_to_get_onto_one(site: Site) -> None:
    page = Client().get(accept(invite(site))["Location"]).content.decode()
    assert "<code>http://testserver/bench/</code>" in page
    assert "Type the PIN that you have set" in page
    auditor = accept(invite(site, email="ash@example.com", roles=["auditor"]))
    assert "/bench/" not in Client().get(auditor["Location"]).content.decode()


def test_before_accepting_there_is_nothing_to_be_told(site: Site) -> None:
    code = invite(site)
    assert Client().get(f"/invitation/{code}/accepted/")["Location"] == f"/invitation/{code}/"


def test_a_pin_may_be_left_for_later(site: Site) -> None:
    answer = accept(invite(site), pin="")
    assert answer.status_code == 302
    assert "set it under “Your account”" in Client().get(answer["Location"]).content.decode()
    with in_workshop(site.workshop.pk):
        assert not Membership.objects.get(user__email=EMAIL).pin


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"password": ""}, "This field is required"),
        ({"password": "short"}, "too short"),
        ({"password": "password1234"}, "too common"),
        ({"pin": "12"}, "4 to 8 digits"),
        ({"pin": "abcd"}, "4 to 8 digits"),
        ({"pin": "١٢٣٤"}, "4 to 8 digits"),
        ({"pin": "4321"}, "easily guessed"),
    ],
)
def test_what_is_wrong_is_said_on_the_page(site: Site, changes: dict[str, str], said: str) -> None:
    answer = accept(invite(site), **changes)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert said in page
    assert "data-error-summary" in page
    assert OWN not in page
    assert not User.objects.get(email=EMAIL).has_usable_password()


def test_unknown_expired_and_foreign_codes_are_answered_alike(site: Site) -> None:
    code = invite(site)
    with in_workshop(site.workshop.pk):
        Invitation.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    for path in (code, "no-such-code"):
        for answer in (Client().get(f"/invitation/{path}/"), accept(path)):
            assert answer.status_code == 404
            assert "unknown or expired" in answer.content.decode()


def test_accepting_twice_changes_nothing_and_another_password_is_refused(site: Site) -> None:
    code = invite(site)
    accept(code)
    assert accept(code, pin="9999").status_code == 302
    refused = accept(code, password="a-third-lamp-of-elm-9")  # noqa: S106
    assert refused.status_code == 422
    assert "not your password" in refused.content.decode()
    assert is_in(sign_in(EMAIL, OWN)[0])


def test_it_is_opened_while_somebody_else_is_signed_in(site: Site, other_site: Site) -> None:
    code = invite(other_site)
    browser = browser_of(site.manager)
    assert browser.get(f"/invitation/{code}/").status_code == 200
    assert browser.post(f"/invitation/{code}/", {"password": OWN, "pin": "0471"}).status_code == 302


def test_a_person_of_another_workshop_proves_the_password_they_have(site: Site, other_site: Site) -> None:
    code = invite(other_site, site.technician.email)
    assert accept(code, password=OWN).status_code == 422
    assert accept(code, password=PASSWORD).status_code == 302
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    assert other_site.workshop.name in browser.get("/choose-workshop/").content.decode()


@pytest.mark.parametrize("by", ["page", "interface"])
def test_whoever_invites_a_person_cannot_guess_at_their_password(site: Site, other_site: Site, by: str) -> None:
    """Every guess counts towards the person's lock, however many codes are made."""
    code = invite(other_site, site.technician.email)
    for number in range(10):
        if by == "page":
            status = accept(code, password=f"guess-number-{number}").status_code
        else:
            body = {"password": f"guess-number-{number}"}
            status = APIClient().post(f"/api/v1/invitations/{code}/acceptance/", body).status_code
        assert status == 422
    assert len(refusals_of(site.technician.email)) == 10
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])


def test_attempts_with_one_code_are_limited(site: Site) -> None:
    code = invite(site)
    assert [accept(code, password="short").status_code for _attempt in range(11)] == [422] * 10 + [429]  # noqa: S106

"""One's own PIN, set on a page: proved by the password, or by a second factor where there is no password."""

from __future__ import annotations

import time
from datetime import timedelta

import pytest
from django.contrib.auth import HASH_SESSION_KEY
from django.contrib.auth.hashers import check_password
from django.test import Client
from django.utils import timezone

from fleet import services
from fleet.errors import Invalid
from fleet.models import Membership, User
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, PIN, Person, Site

from .browsers import browser_of, events_of, is_in, refusals_of, set_up_app, sign_in, totp_code
from .test_pages import POLICY, Scan, policy_of

PAGE = "/account/pin/"
CONFIRM = "/account/second-factor/reauthenticate/"
NEW = "90210"
TYPED = {"password": PASSWORD, "pin": NEW, "pin_again": NEW}


def has_pin(person: Person, pin: str) -> bool:
    with in_workshop(person.membership.workshop_id):
        return check_password(pin, Membership.objects.get(pk=person.membership.pk).pin)


def without_pin(person: Person) -> None:
    with in_workshop(person.membership.workshop_id):
        Membership.objects.filter(pk=person.membership.pk).update(pin="")


def test_a_person_changes_their_pin_and_it_is_noted(site: Site) -> None:
    browser = browser_of(site.technician)
    answer = browser.post(PAGE, TYPED)
    assert (answer.status_code, answer["Location"]) == (302, "/account/")
    assert "Your PIN is set" in browser.get("/account/").content.decode()
    assert has_pin(site.technician, NEW)
    assert events_of(site.technician) == ["signed_in", "pin_changed"]
    assert "PIN changed" in browser.get("/account/sign-ins/").content.decode()


def test_the_interface_notes_it_too(site: Site) -> None:
    body = {"password": PASSWORD, "pin": NEW}
    assert site.technician.client().put("/api/v1/me/pin/", body).status_code == 200
    assert events_of(site.technician) == ["pin_changed"]


def test_the_account_page_leads_there_and_says_whether_there_is_one(site: Site) -> None:
    browser = browser_of(site.technician)
    assert f'<a href="{PAGE}">Change your PIN</a>' in browser.get("/account/").content.decode()
    without_pin(site.technician)
    assert f'<a href="{PAGE}">Set your PIN</a>' in browser.get("/account/").content.decode()
    assert "Set your PIN" in browser.get(PAGE).content.decode()
    assert browser.post(PAGE, TYPED).status_code == 302
    assert has_pin(site.technician, NEW)


def test_a_new_pin_lifts_the_lock_of_wrong_ones(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        locked = timezone.now() + timedelta(minutes=10)
        Membership.objects.filter(pk=site.technician.membership.pk).update(pin_locked_until=locked)
    browser_of(site.technician).post(PAGE, TYPED)
    with in_workshop(site.workshop.pk):
        assert Membership.objects.get(pk=site.technician.membership.pk).pin_locked_until is None


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"password": "not-this-one-41"}, "This is not your password."),
        ({"password": ""}, "This field is required"),
        ({"pin": "123", "pin_again": "123"}, "4 to 8 digits"),
        ({"pin": "123456789", "pin_again": "123456789"}, "4 to 8 digits"),
        ({"pin": "٤٧١١", "pin_again": "٤٧١١"}, "4 to 8 digits"),
        ({"pin": "4711\n", "pin_again": "4711\n"}, "4 to 8 digits"),
        ({"pin": "1234", "pin_again": "1234"}, "easily guessed"),
        ({"pin": "00000", "pin_again": "00000"}, "at least three different digits"),
        ({"pin_again": "90211"}, "The two PINs differ"),
        ({"pin_again": ""}, "This field is required"),
    ],
)
def test_what_is_wrong_is_said_and_changes_nothing(site: Site, typed: dict[str, str], said: str) -> None:
    answer = browser_of(site.technician).post(PAGE, {**TYPED, **typed})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert said in page
    assert "data-error-summary" in page
    assert PASSWORD not in page
    assert f'value="{NEW}"' not in page
    assert has_pin(site.technician, PIN)
    assert events_of(site.technician) == ["signed_in"]


def test_who_has_not_signed_in_is_led_to_the_sign_in(site: Site) -> None:
    answer = Client().get(PAGE)
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/?next=/account/pin/")
    assert Client().post(PAGE, TYPED)["Location"].startswith("/sign-in/")
    assert has_pin(site.technician, PIN)


def test_only_the_pin_of_the_workshop_one_is_in_changes(site: Site, other_site: Site) -> None:
    there = other_site.person("technician", email=site.technician.email)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    browser.post("/choose-workshop/", {"workshop": str(site.workshop.pk)})
    browser.post(PAGE, TYPED)
    assert has_pin(site.technician, NEW)
    assert has_pin(there, PIN)
    assert "pin_changed" not in events_of(there)


def test_guessing_at_the_password_locks_out_as_anywhere(site: Site) -> None:
    browser = browser_of(site.technician)
    wrong = {**TYPED, "password": "not-this-one-41"}
    assert [browser.post(PAGE, wrong).status_code for _attempt in range(10)] == [422] * 10
    assert len(refusals_of(site.technician.email)) == 10
    assert browser.post(PAGE, TYPED).status_code == 429
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])
    assert has_pin(site.technician, PIN)


def test_page_and_interface_count_their_attempts_together(site: Site) -> None:
    browser, client = browser_of(site.technician), site.technician.client()
    for _attempt in range(5):
        assert browser.post(PAGE, TYPED).status_code == 302
        assert client.put("/api/v1/me/pin/", {"password": PASSWORD, "pin": NEW}).status_code == 200
    answer = browser.post(PAGE, TYPED)
    assert answer.status_code == 429
    assert int(answer["Retry-After"]) >= 1


# Without a password


@pytest.fixture
def without_password(site: Site) -> tuple[Client, str]:
    """The browser of somebody who has a second factor and no password; and the factor's secret."""
    browser = browser_of(site.technician)
    secret = set_up_app(browser, site.technician)
    user = User.objects.get(email=site.technician.email)
    user.set_unusable_password()
    user.save()
    session = browser.session
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session["account_authentication_methods"] = []
    session.save()
    return browser, secret


def test_without_a_password_the_second_factor_proves_it(site: Site, without_password: tuple[Client, str]) -> None:
    browser, secret = without_password
    for answer in (browser.get(PAGE), browser.post(PAGE, {"pin": NEW, "pin_again": NEW})):
        assert (answer.status_code, answer["Location"]) == (302, f"/account/confirm/?next={PAGE}")
        assert NEW not in str(dict(browser.session))
    assert has_pin(site.technician, PIN)
    assert browser.get(f"/account/confirm/?next={PAGE}")["Location"] == f"{CONFIRM}?next=%2Faccount%2Fpin%2F"
    code = totp_code(secret, at=time.time() + 30)
    answer = browser.post(f"{CONFIRM}?next={PAGE}", {"code": code})
    assert answer["Location"] == PAGE, answer.content
    assert 'name="password"' not in browser.get(PAGE).content.decode()
    assert browser.post(PAGE, {"pin": NEW, "pin_again": NEW}).status_code == 302
    assert has_pin(site.technician, NEW)


def test_leaving_the_password_out_proves_nothing_of_an_account_that_has_one(site: Site) -> None:
    with in_workshop(site.workshop.pk), pytest.raises(Invalid, match="not your password"):
        services.pin_set(actor=site.technician.actor(), password=None, pin=NEW)
    assert has_pin(site.technician, PIN)


def test_the_page_is_as_strict_as_the_others(site: Site) -> None:
    browser = browser_of(site.technician)
    for page in (browser.get(PAGE), browser.post(PAGE, {})):
        scan = Scan(page.content.decode())
        assert (scan.faults, scan.unnamed(), scan.without_autocomplete()) == ([], [], [])
        assert policy_of(page) == POLICY
        assert "no-store" in page["Cache-Control"]

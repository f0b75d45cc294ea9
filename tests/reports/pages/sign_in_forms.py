"""A form as it is tried, and those of whoever signs in, or sets up how they do."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from allauth.mfa.models import Authenticator
from django.contrib.auth.hashers import check_password
from django.test import Client

from fleet.models import Membership
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, PIN, Site
from tests.fleet.signin.browsers import browser_of, confirm_password, is_in, sign_in, totp_code

from .every_page import House

NEW: Final = "another-lamp-of-oak-7"


@dataclass(frozen=True)
class Case:
    """A form: who sends it, what is typed into it, what shows that it was done, and what spoils it."""

    browser: Client
    path: str
    typed: dict[str, Any]
    """What depends on the page is a function of it."""
    is_done: Callable[[], bool]
    spoilt: dict[str, Any]
    in_error: str
    says: str
    """Of what the summary of errors says about the field."""


def within(site: Site, count: Callable[[], object]) -> Callable[[], bool]:
    def is_so() -> bool:
        with in_workshop(site.workshop.pk):
            return bool(count())

    return is_so


def own_account(site: Site) -> Iterator[Case]:
    person = site.person("technician")
    browser = browser_of(person)
    yield Case(
        browser,
        "/account/confirm/",
        {"password": PASSWORD},
        lambda: True,
        {"password": "not-this-one-41"},
        "password",
        "not your password",
    )
    yield Case(
        browser,
        "/account/pin/",
        {"password": PASSWORD, "pin": "90210", "pin_again": "90210"},
        within(site, lambda: check_password("90210", Membership.objects.get(pk=person.membership.pk).pin)),
        {"pin_again": "90211"},
        "pin_again",
        "Type the same one twice",
    )
    yield Case(
        browser,
        "/account/password/",
        {"oldpassword": PASSWORD, "password1": NEW, "password2": NEW},
        lambda: is_in(sign_in(person.email, NEW)[0]),
        {"password2": PASSWORD},
        "password2",
        "password",
    )


def at_the_door(house: House) -> Iterator[Case]:
    site = house.site
    person = site.person("technician")
    stranger = Client()
    yield Case(
        stranger,
        "/sign-in/",
        {"login": person.email, "password": PASSWORD},
        lambda: is_in(stranger),
        {"password": "not-this-one-41"},
        "",
        "do not belong together",
    )
    invited = house.invited()
    yield Case(
        Client(),
        house.invitation(),
        {"password": NEW, "pin": PIN},
        lambda: is_in(sign_in(invited.user.email, NEW)[0]),
        {"pin": "12"},
        "pin",
        "4 to 8 digits",
    )
    link = house.password_link()
    yield Case(
        Client(),
        link,
        {"password": NEW, "password_again": NEW},
        lambda: Client().get(link).status_code == 404,
        {"password_again": PASSWORD},
        "password_again",
        "Type the same one twice",
    )


def second_factor(site: Site) -> Iterator[Case]:
    person = site.person("technician")
    browser = browser_of(person)
    confirm_password(browser, person, "/account/")
    app = "/account/second-factor/totp/activate/"
    yield Case(
        browser,
        app,
        {"code": lambda page: totp_code(secret_in(page))},
        Authenticator.objects.filter(user_id=person.membership.user_id, type="totp").exists,
        {"code": "12"},
        "code",
        "code",
    )


def secret_in(page: Any) -> str:
    found = re.search(r"<code>([A-Z2-7]+)</code>", page.content.decode())
    assert found
    return found[1]

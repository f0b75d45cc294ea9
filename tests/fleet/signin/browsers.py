"""Browsers of people: what they send and how they come in."""

from __future__ import annotations

import re
import time
from typing import Any

from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.test import Client

from fleet.models import AccessToken, RefusedSignIn, SignInEvent, Workshop
from fleet.services.sign_in_events import subject_of
from fleet.tenancy import in_workshop
from tests.factories import Person, Site

ACCOUNT = "/account/"


def sign_in(email: str, password: str, client: Client | None = None, **more: Any) -> tuple[Client, Any]:
    """A browser that sent the form of the sign-in page, and what it was answered."""
    browser = client or Client()
    return browser, browser.post("/sign-in/", {"login": email, "password": password, **more})


def browser_of(person: Person) -> Client:
    """A browser in which the person has signed in, who belongs to one workshop."""
    browser, answer = sign_in(person.email, person.password)
    assert (answer.status_code, answer["Location"]) == (302, "/choose-workshop/"), answer.content
    return browser


def is_in(browser: Client) -> bool:
    """Whether the browser's session opens pages of a workshop."""
    return bool(browser.get(ACCOUNT).status_code == 200)


def totp_code(secret: str, *, at: float | None = None) -> str:
    """The code of RFC 6238 that an app shows now."""
    moment = time.time() if at is None else at
    return str(format_hotp_value(hotp_value(secret, int(moment) // 30)))


def confirm_password(browser: Client, person: Person, following: str) -> Any:
    return browser.post(f"/account/confirm/?next={following}", {"password": person.password})


def set_up_app(browser: Client, person: Person) -> str:
    """Set up an authenticator app as a person does in a browser; gives the app's secret."""
    confirm_password(browser, person, "/account/second-factor/totp/activate/")
    page = browser.get("/account/second-factor/totp/activate/").content.decode()
    found = re.search(r"<code>([A-Z2-7]+)</code>", page)
    assert found, page
    answer = browser.post("/account/second-factor/totp/activate/", {"code": totp_code(found[1])})
    assert answer.status_code == 302, answer.content.decode()
    return found[1]


def events_of(person: Person) -> list[str]:
    """Kinds of what was noted at the person's door, oldest first."""
    with in_workshop(person.membership.workshop_id):
        noted = SignInEvent.objects.filter(membership=person.membership).order_by("recorded_at", "id")
        return list(noted.values_list("kind", flat=True))


def refusals_of(email: str) -> list[RefusedSignIn]:
    """What was refused to whoever typed the address, oldest first."""
    return list(RefusedSignIn.objects.filter(subject=subject_of(email)).order_by("happened_at", "id"))


def require_second_factor(site: Site, *roles: str) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(second_factor_required_for=list(roles))


def tokens_of_kind(site: Site, kind: str) -> int:
    with in_workshop(site.workshop.pk):
        return AccessToken.objects.filter(kind=kind, revoked_at=None).count()

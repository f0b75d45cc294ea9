"""Second factors: an authenticator app, recovery codes; required where the workshop says so; tokens rest beside one."""

from __future__ import annotations

import re
import time
from types import SimpleNamespace
from typing import Any

import pytest
from allauth.core.internal import ratelimit
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal import auth
from allauth.mfa.totp.internal.auth import validate_totp_code
from django.core.cache.backends import base, locmem
from django.test import Client
from rest_framework.test import APIClient

from fleet.errors import Conflict
from fleet.models import User
from fleet.sign_in.adapters import SecondFactorAdapter
from fleet.sign_in.codes import ACCEPTED_FOR_S
from tests.factories import PASSWORD, Person, Site

from . import browsers
from .browsers import (
    ACCOUNT,
    browser_of,
    confirm_password,
    events_of,
    is_in,
    require_second_factor,
    set_up_app,
    sign_in,
    totp_code,
)

SECOND_FACTOR = "/account/second-factor/"
AUTHENTICATE = f"{SECOND_FACTOR}authenticate/"
TOKENS = "/api/v1/tokens/"


def with_app(person: Person, capture: Any) -> tuple[Client, str]:
    with capture(execute=True):
        browser = browser_of(person)
        return browser, set_up_app(browser, person)


def recovery_codes(browser: Client) -> list[str]:
    page = browser.get(f"{SECOND_FACTOR}recovery-codes/").content.decode()
    return re.findall(r"<code>([^<]+)</code>", page)


def second_step(person: Person, code: str) -> Client:
    browser, answer = sign_in(person.email, PASSWORD)
    assert answer["Location"] == AUTHENTICATE
    assert not is_in(browser)
    browser.post(AUTHENTICATE, {"code": code})
    return browser


def later_code(secret: str) -> str:
    """The code of the next half minute, which is taken already: the one that set the app up is used up."""
    return totp_code(secret, at=time.time() + 30)


def later(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """Move on what the codes are of, and what the use of one and failures are remembered by."""
    moved = SimpleNamespace(time=lambda: time.time() + seconds, monotonic=time.monotonic, sleep=time.sleep)
    for module in (auth, ratelimit, base, locmem):
        monkeypatch.setattr(module, "time", moved)


@pytest.fixture
def capture(django_capture_on_commit_callbacks: Any) -> Any:
    return django_capture_on_commit_callbacks


def test_hotp_values_are_those_of_the_standard() -> None:
    """RFC 4226, appendix D: secret 12345678901234567890, counts 0 to 9."""
    secret = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # noqa: S105
    published = ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"]
    assert [totp_code(secret, at=30 * count) for count in range(10)] == published


def test_with_an_app_the_password_alone_no_longer_signs_in(site: Site, capture: Any) -> None:
    _browser, secret = with_app(site.technician, capture)
    assert not is_in(second_step(site.technician, "000000"))
    assert is_in(second_step(site.technician, later_code(secret)))
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])


def test_the_step_of_the_password_cannot_be_left_out(site: Site, capture: Any) -> None:
    _browser, secret = with_app(site.technician, capture)
    browser = Client()
    answer = browser.post(AUTHENTICATE, {"code": later_code(secret)})
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/")
    assert not is_in(browser)


def test_a_code_is_good_once(site: Site, capture: Any) -> None:
    _browser, secret = with_app(site.technician, capture)
    code = later_code(secret)
    assert is_in(second_step(site.technician, code))
    assert not is_in(second_step(site.technician, code))


def test_a_used_code_is_none_for_as_long_as_it_would_be_taken(
    site: Site, capture: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 6238, section 5.2."""
    _browser, secret = with_app(site.technician, capture)
    code = later_code(secret)
    assert is_in(second_step(site.technician, code))
    later(monkeypatch, 40)
    assert validate_totp_code(secret, code), "nothing but its use speaks against it"
    assert not is_in(second_step(site.technician, f"{code[:3]} {code[3:]}"))
    assert ACCEPTED_FOR_S == 90


def test_the_code_that_set_an_app_up_does_not_sign_in(
    site: Site, capture: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    codes: list[str] = []

    def next_code(secret: str) -> str:
        codes.append(later_code(secret))
        return codes[-1]

    monkeypatch.setattr(browsers, "totp_code", next_code)
    _browser, secret = with_app(site.technician, capture)
    for seconds in (0, 40):
        later(monkeypatch, seconds)
        assert validate_totp_code(secret, codes[0]), "nothing but its use speaks against it"
        assert not is_in(second_step(site.technician, codes[0]))
    assert is_in(second_step(site.technician, totp_code(secret, at=time.time() + 70)))


def test_a_used_code_leaves_the_count_of_failures(site: Site, capture: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else whoever saw one code would guess on for as long as it would be taken."""
    _browser, secret = with_app(site.technician, capture)
    code = later_code(secret)
    assert is_in(second_step(site.technician, code))
    later(monkeypatch, 40)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    for wrong in ["000000"] * 9 + [code]:
        answer = browser.post(AUTHENTICATE, {"code": wrong})
        assert "This code is not right" in answer.content.decode()
    answer = browser.post(AUTHENTICATE, {"code": totp_code(secret, at=time.time() + 70)})
    assert "quarter of an hour" in answer.content.decode()
    assert not is_in(browser)


def test_a_code_of_another_time_is_none(site: Site, capture: Any) -> None:
    _browser, secret = with_app(site.technician, capture)
    for away_s in (-120, 120):
        assert not is_in(second_step(site.technician, totp_code(secret, at=time.time() + away_s)))


def test_the_app_is_set_up_with_its_first_code_only(site: Site, capture: Any) -> None:
    browser = browser_of(site.technician)
    activate = f"{SECOND_FACTOR}totp/activate/"
    confirm_password(browser, site.technician, activate)
    browser.get(activate)
    answer = browser.post(activate, {"code": "000000"})
    assert "This code is not right" in answer.content.decode()
    assert not Authenticator.objects.filter(user__email=site.technician.email).exists()


@pytest.mark.parametrize("path", ["totp/activate/", "webauthn/add/"])
def test_a_second_factor_is_added_after_the_password_only(site: Site, path: str) -> None:
    browser = browser_of(site.technician)
    answer = browser.get(f"{SECOND_FACTOR}{path}")
    assert (answer.status_code, answer["Location"].partition("?")[0]) == (302, "/account/confirm/")
    refused = browser.post("/account/confirm/", {"password": "not-this-one-41"})
    assert "not your password" in refused.content.decode()
    assert browser.get(f"{SECOND_FACTOR}{path}").status_code == 302


def test_recovery_codes_sign_in_once_each_and_are_shown_once(site: Site, capture: Any) -> None:
    browser, _secret = with_app(site.technician, capture)
    codes = recovery_codes(browser)
    assert len(codes) == 10
    assert recovery_codes(browser) == []
    assert is_in(second_step(site.technician, codes[3]))
    assert not is_in(second_step(site.technician, codes[3]))
    assert is_in(second_step(site.technician, codes[0]))


def test_new_recovery_codes_end_the_earlier_ones(site: Site, capture: Any) -> None:
    browser, _secret = with_app(site.technician, capture)
    old = recovery_codes(browser)
    with capture(execute=True):
        assert browser.post(f"{SECOND_FACTOR}recovery-codes/generate/").status_code == 302
    new = recovery_codes(browser)
    assert not set(old) & set(new)
    assert not is_in(second_step(site.technician, old[0]))
    assert is_in(second_step(site.technician, new[0]))
    assert "recovery_codes_renewed" in events_of(site.technician)


def test_recovery_codes_are_nobodys_without_a_second_factor(site: Site) -> None:
    browser = browser_of(site.technician)
    assert browser.get(f"{SECOND_FACTOR}recovery-codes/").status_code == 404


def test_the_app_is_removed_and_the_password_alone_signs_in_again(site: Site, capture: Any) -> None:
    browser, _secret = with_app(site.technician, capture)
    with capture(execute=True):
        assert browser.post(f"{SECOND_FACTOR}totp/deactivate/").status_code == 302
    assert not Authenticator.objects.filter(user__email=site.technician.email).exists()
    assert is_in(browser_of(site.technician))
    assert events_of(site.technician)[-2:] == ["second_factor_removed", "signed_in"]


def test_secrets_are_stored_encrypted_under_the_installations_key(site: Site, capture: Any, settings: Any) -> None:
    _browser, secret = with_app(site.technician, capture)
    stored = Authenticator.objects.get(user__email=site.technician.email, type="totp").data["secret"]
    assert secret not in stored
    assert SecondFactorAdapter().decrypt(stored) == secret
    settings.SECRET_KEY = "another"  # noqa: S105
    with pytest.raises(Conflict, match="another key of this installation"):
        SecondFactorAdapter().decrypt(stored)


# What it does to tokens


def test_a_password_gives_no_token_beside_a_second_factor(site: Site, capture: Any) -> None:
    with_app(site.technician, capture)
    body = {"email": site.technician.email, "password": PASSWORD, "device": "d"}
    refused = APIClient().post(TOKENS, body)
    assert (refused.status_code, refused.json()["type"]) == (403, "enrolment_required")
    assert "Enrol a tablet" in refused.json()["detail"]
    wrong = APIClient().post(TOKENS, {**body, "password": "not-this-one-41"})
    assert (wrong.status_code, wrong.json()["type"]) == (401, "credentials_wrong")
    assert APIClient().post(TOKENS, {**body, "email": site.manager.email}).status_code == 201


def test_tokens_got_by_password_rest_while_there_is_a_second_factor(site: Site, capture: Any) -> None:
    me = "/api/v1/me/"
    assert site.technician.client().get(me).status_code == 200
    browser, _secret = with_app(site.technician, capture)
    assert site.technician.client().get(me).status_code == 401
    assert site.manager.client().get(me).status_code == 200
    browser.post(f"{SECOND_FACTOR}totp/deactivate/")
    assert site.technician.client().get(me).status_code == 200


def test_a_programs_token_is_a_managers_business(site: Site, capture: Any) -> None:
    program = site.person("integrator", scopes=["read"])
    user = User.objects.get(email=program.email)
    Authenticator.objects.create(user=user, type="totp", data={"secret": "x"})
    assert program.client().get("/api/v1/me/").status_code == 200


# Required by the workshop


def test_a_manager_says_for_which_roles_one_is_required(site: Site) -> None:
    client = site.manager.client()
    version = client.get("/api/v1/workshop/").headers["ETag"]
    changed = client.patch(
        "/api/v1/workshop/",
        {"second_factor_required_for": ["technician", "auditor", "technician"]},
        headers={"If-Match": version},
    )
    assert changed.json()["second_factor_required_for"] == ["auditor", "technician"]


@pytest.mark.parametrize("value", [["integrator"], ["chief"], "manager", None])
def test_it_is_required_of_people_only(site: Site, value: Any) -> None:
    client = site.manager.client()
    version = client.get("/api/v1/workshop/").headers["ETag"]
    refused = client.patch("/api/v1/workshop/", {"second_factor_required_for": value}, headers={"If-Match": version})
    assert refused.status_code == 422


def test_a_technician_does_not_say(site: Site) -> None:
    refused = site.technician.client().patch("/api/v1/workshop/", {"second_factor_required_for": []})
    assert refused.status_code == 403


def test_whoever_must_have_one_is_led_to_it_before_any_other_page(site: Site, capture: Any) -> None:
    require_second_factor(site, "technician")
    browser = browser_of(site.technician)
    for path in ("/tablets/", "/sign-ins/", "/looks/", "/no/such/page/"):
        answer = browser.get(path)
        assert (answer.status_code, answer["Location"]) == (302, SECOND_FACTOR), path
    assert browser.post("/tablets/enrolment/").status_code == 302
    refused = browser.get("/api/v1/vehicles/")
    assert (refused.status_code, refused.json()["type"]) == (403, "second_factor_required")
    assert "Your workshop requires a second factor" in browser.get(SECOND_FACTOR).content.decode()
    assert browser.get("/sign-out/").status_code == 200
    with capture(execute=True):
        set_up_app(browser, site.technician)
    assert browser.get("/tablets/").status_code == 200
    assert browser.get("/api/v1/vehicles/").status_code == 200


def test_others_are_not(site: Site) -> None:
    require_second_factor(site, "technician")
    browser = browser_of(site.person("auditor"))
    assert browser.get(ACCOUNT).status_code == 200
    assert browser.get("/api/v1/vehicles/").status_code == 200


def test_a_token_got_by_password_does_not_go_round_it(site: Site) -> None:
    require_second_factor(site, "technician")
    earlier = site.technician.client().get("/api/v1/vehicles/")
    assert (earlier.status_code, earlier.json()["type"]) == (403, "second_factor_required")
    body = {"email": site.technician.email, "password": PASSWORD, "device": "d"}
    new = APIClient().post(TOKENS, body)
    assert (new.status_code, new.json()["type"]) == (403, "second_factor_required")
    assert site.person("auditor").client().get("/api/v1/vehicles/").status_code == 200


def test_adding_one_is_noted_in_every_workshop_of_the_person(site: Site, other_site: Site, capture: Any) -> None:
    there = other_site.person("auditor", email=site.technician.email)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    browser.post("/choose-workshop/", {"workshop": str(site.workshop.pk)})
    with capture(execute=True):
        set_up_app(browser, site.technician)
    assert "second_factor_added" in events_of(site.technician)
    assert events_of(there) == ["second_factor_added"]
    assert browser.get(ACCOUNT).status_code == 200

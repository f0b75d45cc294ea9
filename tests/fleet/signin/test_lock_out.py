"""Guessing is counted, locks out, and tells nothing of who exists; pages and interface count together."""

from __future__ import annotations

import re
import time
from types import SimpleNamespace
from typing import Any

import pytest
from allauth.core.internal import ratelimit
from django.contrib.auth import hashers
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from redis.exceptions import ConnectionError as CacheUnreachable
from rest_framework.test import APIClient

from fleet.models import RefusedSignIn, User
from fleet.services.sign_in_events import subject_of
from tests.factories import PASSWORD, Site

from .browsers import browser_of, confirm_password, is_in, refusals_of, set_up_app, sign_in, totp_code

WRONG = "not-this-one-41"
NOBODY = "nobody@example.com"
ATTEMPTS = 10


def shown(answer: Any) -> str:
    """The page without what differs from one browser to the next, or is what was typed."""
    page = re.sub(r'name="csrfmiddlewaretoken" value="[^"]+"', "", answer.content.decode())
    return re.sub(r'(name="login" value=)"[^"]*"', r"\1", page)


def fail(email: str, times: int, password: str = WRONG) -> list[Any]:
    return [sign_in(email, password)[1] for _attempt in range(times)]


def refusals(email: str) -> list[str]:
    return [each.kind for each in refusals_of(email)]


def token_status(email: str, password: str) -> int:
    body = {"email": email, "password": password, "device": "d"}
    return int(APIClient().post("/api/v1/tokens/", body).status_code)


def minutes_later(monkeypatch: pytest.MonkeyPatch, minutes: float) -> None:
    later = SimpleNamespace(time=lambda: time.time() + minutes * 60, monotonic=time.monotonic, sleep=time.sleep)
    monkeypatch.setattr(ratelimit, "time", later)


@pytest.mark.parametrize("attempts", [1, ATTEMPTS, ATTEMPTS + 1])
def test_an_unknown_person_gets_the_very_same_answer(site: Site, attempts: int) -> None:
    known, unknown = fail(site.technician.email, attempts), fail(NOBODY, attempts)
    assert [answer.status_code for answer in known] == [answer.status_code for answer in unknown]
    assert shown(known[-1]) == shown(unknown[-1])
    assert refusals(site.technician.email) == refusals(NOBODY)


def test_the_answers_are_compared_in_a_way_that_sees_a_difference(site: Site) -> None:
    """Negative control of the test above."""
    assert shown(fail(NOBODY, 1)[0]) != shown(fail(NOBODY, ATTEMPTS)[-1])


@pytest.mark.parametrize("who", ["unknown", "known", "invited", "closed"])
def test_the_same_work_is_done_whoever_it_is(site: Site, monkeypatch: pytest.MonkeyPatch, who: str) -> None:
    """Hashings and statements are counted instead of measuring time."""
    User.objects.create_user("invited@example.com")
    User.objects.create_user("closed@example.com", PASSWORD, is_active=False)
    emails = {"unknown": NOBODY, "known": site.manager.email}
    hasher = type(hashers.get_hasher("default"))
    hashings: list[str] = []
    encode = hasher.encode

    def counted(self: Any, password: str, salt: str, *rest: Any, **named: Any) -> str:
        hashings.append(password)
        return str(encode(self, password, salt, *rest, **named))

    monkeypatch.setattr(hasher, "encode", counted)
    with CaptureQueriesContext(connection) as queries:
        answer = sign_in(emails.get(who, f"{who}@example.com"), WRONG)[1]
    assert answer.status_code == 200
    assert len(hashings) == 1
    assert [re.sub(r"'[^']*'", "…", each["sql"])[:30] for each in queries] == [
        'SELECT "fleet_user"."password"',
        'INSERT INTO "fleet_refusedsign',
    ]


def test_failures_lock_out_even_with_the_right_password(site: Site) -> None:
    fail(site.technician.email, ATTEMPTS)
    browser, answer = sign_in(site.technician.email, PASSWORD)
    assert not is_in(browser)
    assert "quarter of an hour" in answer.content.decode()
    assert is_in(browser_of(site.manager))
    assert refusals(site.technician.email) == ["failed"] * (ATTEMPTS - 1) + ["locked_out"]


def test_before_the_last_attempt_the_right_password_still_opens(site: Site) -> None:
    fail(site.technician.email, ATTEMPTS - 1)
    assert is_in(browser_of(site.technician))


def test_the_lock_ends_by_itself(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    fail(site.technician.email, ATTEMPTS)
    minutes_later(monkeypatch, 14)
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])
    minutes_later(monkeypatch, 16)
    assert is_in(browser_of(site.technician))


def test_pages_and_interface_count_together(site: Site) -> None:
    fail(site.technician.email, ATTEMPTS - 1)
    assert token_status(site.technician.email, WRONG) == 401
    body = {"email": site.technician.email, "password": PASSWORD, "device": "d"}
    answer = APIClient().post("/api/v1/tokens/", body)
    assert (answer.status_code, answer.json()["type"]) == (429, "locked_out")
    assert answer["Retry-After"] == "900"
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])


def test_a_locked_out_unknown_person_gets_the_same_problem(site: Site) -> None:
    problems = []
    for email in (site.technician.email, NOBODY):
        fail(email, ATTEMPTS)
        body = {"email": email, "password": WRONG, "device": "d"}
        problems.append(APIClient().post("/api/v1/tokens/", body).json())
    assert problems[0] == problems[1]


def test_many_names_from_one_address_are_slowed_down(db: None) -> None:
    answers = [sign_in(f"nobody-{number}@example.com", WRONG)[1] for number in range(61)]
    assert {answer.status_code for answer in answers[:60]} == {200}
    assert answers[60].status_code == 429
    assert "Too many" in answers[60].content.decode()


def test_confirming_with_the_password_counts_as_well(site: Site) -> None:
    browser = browser_of(site.technician)
    for _attempt in range(ATTEMPTS):
        browser.post("/account/confirm/", {"password": WRONG})
    answer = confirm_password(browser, site.technician, "/account/")
    assert answer.status_code in {200, 429}
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])


@pytest.mark.parametrize("error", [CacheUnreachable("refused"), OSError("disk full")])
def test_where_attempts_cannot_be_counted_nobody_signs_in(
    site: Site, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    class Broken:
        def add(self, *_args: Any, **_named: Any) -> Any:
            raise error

    monkeypatch.setattr(ratelimit, "cache", Broken())
    browser, answer = sign_in(site.technician.email, PASSWORD)
    assert answer.status_code == 503
    assert not is_in(browser)


# The second factor


def test_wrong_codes_lock_out_too(site: Site, django_capture_on_commit_callbacks: Any) -> None:
    secret = set_up_app(browser_of(site.technician), site.technician)
    browser, answer = sign_in(site.technician.email, PASSWORD)
    assert answer["Location"] == "/account/second-factor/authenticate/"
    for _attempt in range(ATTEMPTS):
        assert browser.post("/account/second-factor/authenticate/", {"code": "000000"}).status_code == 200
    locked = browser.post("/account/second-factor/authenticate/", {"code": totp_code(secret, at=time.time() + 30)})
    assert "quarter of an hour" in locked.content.decode()
    assert not is_in(browser)
    assert refusals(site.technician.email) == ["failed"] * (ATTEMPTS - 1) + ["locked_out"]


def test_no_e_mail_address_nor_secret_is_kept_of_a_failure(site: Site) -> None:
    fail(site.technician.email, 1)
    kept = RefusedSignIn.objects.values().get(subject=subject_of(site.technician.email))
    assert site.technician.email not in str(kept)
    assert WRONG not in str(kept)
    assert bytes(kept["subject"]) == subject_of(f" {site.technician.email.upper()}")


def test_logs_name_nobody(site: Site, caplog: pytest.LogCaptureFixture, capsys: pytest.CaptureFixture[str]) -> None:
    fail(site.technician.email, ATTEMPTS + 1)
    Client().get("/invitation/some-secret-code/")
    written = caplog.text + "".join(capsys.readouterr())
    for secret in (site.technician.email, WRONG, "some-secret-code"):
        assert secret not in written

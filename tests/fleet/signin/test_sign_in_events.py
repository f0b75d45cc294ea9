"""What happened at the door: append-only, listed for the person and for the workshop's manager."""

from __future__ import annotations

import re
import time
from datetime import timedelta
from typing import Any

import psycopg
import pytest
from django.db import connection, transaction
from django.db.utils import ProgrammingError
from django.utils import timezone
from rest_framework.test import APIClient

from deploy.celery import app
from fleet.models import RefusedSignIn, SignInEvent
from fleet.services.sign_in_events import REFUSALS_KEPT, refusal_note
from fleet.tasks import clear_old_refusals
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Site

from .browsers import browser_of, events_of, refusals_of, set_up_app, sign_in, totp_code

OWN, ALL = "/account/sign-ins/", "/sign-ins/"
WRONG = "not-this-one-41"


def test_a_person_sees_their_own_with_means_and_address(site: Site) -> None:
    sign_in(site.technician.email, WRONG)
    browser = browser_of(site.technician)
    page = browser.get(OWN).content.decode()
    for said in ("signed in", "password", "127.0.0.1", "attempt to sign in failed"):
        assert said in page
    browser_of(site.manager)
    assert site.manager.membership.name not in browser.get(OWN).content.decode().partition("<main")[2]


def test_a_manager_sees_those_of_their_workshop(site: Site, other_site: Site) -> None:
    sign_in(site.technician.email, WRONG)
    sign_in(other_site.technician.email, WRONG)
    browser_of(other_site.technician)
    page = browser_of(site.manager).get(ALL).content.decode()
    assert site.technician.membership.name in page
    assert "attempt to sign in failed" in page
    assert page.count("attempt to sign in failed") == 1
    assert other_site.technician.membership.name not in page


@pytest.mark.parametrize("role", ["technician", "auditor"])
def test_others_do_not_see_everybodys(site: Site, role: str) -> None:
    answer = browser_of(site.person(role)).get(ALL)
    assert answer.status_code == 403
    assert "manager" in answer.content.decode()


def test_signing_in_over_the_interface_is_noted_too(site: Site) -> None:
    body = {"email": site.technician.email, "password": PASSWORD, "device": "tablet in bay 2"}
    APIClient().post("/api/v1/tokens/", body)
    APIClient().post("/api/v1/tokens/", {**body, "password": WRONG})
    assert events_of(site.technician) == ["signed_in"]
    assert len(refusals_of(site.technician.email)) == 1


def test_a_failure_is_noted_even_where_the_request_is_rolled_back(site: Site) -> None:
    body = {"email": site.technician.email, "password": WRONG, "device": "d"}
    assert site.technician.client().post("/api/v1/tokens/", body).status_code == 401
    assert len(refusals_of(site.technician.email)) == 1


def test_means_are_told_apart(site: Site, django_capture_on_commit_callbacks: Any) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        secret = set_up_app(browser_of(site.technician), site.technician)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    browser.post("/account/second-factor/authenticate/", {"code": totp_code(secret, at=time.time() + 30)})
    with in_workshop(site.workshop.pk):
        means = [event.how for event in SignInEvent.objects.exclude(kind="pin_changed").order_by("recorded_at", "id")]
    assert means == ["password", "authenticator app", "password, authenticator app"]


def test_lists_are_short_of_queries_and_end(site: Site, django_assert_max_num_queries: Any) -> None:
    browser = browser_of(site.manager)
    for _time in range(4):
        browser_of(site.technician)
    with django_assert_max_num_queries(16):
        browser.get(ALL)


@pytest.mark.parametrize("statement", ["UPDATE {} SET how = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize("table", ["fleet_signinevent", "fleet_refusedsignin"])
def test_nothing_noted_is_changed_or_removed(site: Site, statement: str, table: str) -> None:
    browser_of(site.technician)
    sign_in(site.technician.email, WRONG)
    refused = pytest.raises(ProgrammingError, match="permission denied")
    with in_workshop(site.workshop.pk), refused, transaction.atomic():
        connection.cursor().execute(statement.format(table))


def test_the_list_goes_on_in_parts_and_both_kinds_stand_in_one_order(site: Site) -> None:
    manager, now = browser_of(site.manager), timezone.now()
    for minute in range(60):
        note: dict[str, Any] = {"now": now - timedelta(minutes=minute), "how": f"try {minute}", "address": None}
        refusal_note(email=site.technician.email, kind=RefusedSignIn.Kind.FAILED, **note)
    first, second = (manager.get(f"{ALL}?page={number}").content.decode() for number in (1, 2))
    found = [int(number) for page in (first, second) for number in re.findall(r"try (\d+)<", page)]
    assert found == list(range(60))
    assert 'href="?page=2"' in first
    assert "PIN changed" in second, "what happened before all of them"


def test_a_manager_looks_for_one_person(site: Site) -> None:
    browser_of(site.technician)
    manager = browser_of(site.manager)
    page = manager.get(ALL, {"q": site.technician.membership.name.upper()}).content.decode().partition("<main")[2]
    assert f">{site.technician.membership.name}</td>" in page
    assert f">{site.manager.membership.name}</td>" not in page
    assert "Nothing is found of such a person." in manager.get(ALL, {"q": "nobody-like-this"}).content.decode()


def test_failed_attempts_are_kept_for_a_time_and_then_cleared_by_the_task_only(site: Site) -> None:
    now = timezone.now()
    for age in (REFUSALS_KEPT - timedelta(hours=1), REFUSALS_KEPT + timedelta(hours=1)):
        at: dict[str, Any] = {"now": now - age, "how": f"{age.days} days", "address": None}
        refusal_note(email=site.technician.email, kind=RefusedSignIn.Kind.FAILED, **at)
    clear_old_refusals()
    assert [each.how for each in refusals_of(site.technician.email)] == [f"{REFUSALS_KEPT.days - 1} days"]
    assert "fleet.tasks.clear_old_refusals" in {entry["task"] for entry in app.conf.beat_schedule.values()}


def test_not_even_the_owner_removes_a_newer_one(committed_db: None, database_environment: dict[str, str]) -> None:
    refusal_note(email="x@example.com", kind=RefusedSignIn.Kind.FAILED, now=timezone.now(), how="", address=None)
    with psycopg.connect(database_environment["DATABASE_OWNER_URL"]) as owner:
        with pytest.raises(psycopg.Error, match="append-only") as refusal, owner.transaction():
            owner.execute("DELETE FROM fleet_refusedsignin")
        assert refusal.value.sqlstate == "LB001"

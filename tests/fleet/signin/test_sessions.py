"""Signing in with a browser: a session is one person's in one workshop, until they sign out or no longer belong."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.db import ProgrammingError, connection, transaction
from django.test import Client
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.credentials import digest_of, find
from fleet.models import BrowserSession, Membership, User, Vehicle
from fleet.selectors.sign_ins import Door
from fleet.tasks import clear_expired_sessions
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Person, Site

from .browsers import ACCOUNT, browser_of, events_of, is_in, sign_in

ME = "/api/v1/me/"


def deactivate(site: Site, person: Person) -> None:
    with in_workshop(site.workshop.pk):
        version = Membership.objects.get(pk=person.membership.pk).version
        services.person_update(
            actor=site.manager.actor(),
            person_id=person.membership.pk,
            expected_versions=[version],
            changes={"is_active": False},
        )


def test_the_right_password_opens_the_workshops_pages(site: Site) -> None:
    browser = browser_of(site.technician)
    page = browser.get(ACCOUNT)
    assert site.workshop.name in page.content.decode()
    assert site.technician.email in page.content.decode()


def test_with_one_workshop_nothing_is_chosen_and_signing_in_counts_once(site: Site) -> None:
    browser = browser_of(site.technician)
    for _time in range(2):
        assert browser.get("/choose-workshop/")["Location"] == "/"
    assert events_of(site.technician) == ["signed_in"]


def test_e_mail_addresses_are_read_in_any_case(site: Site) -> None:
    browser, _answer = sign_in(site.technician.email.upper(), PASSWORD)
    assert is_in(browser)


@pytest.mark.parametrize("path", [ACCOUNT, "/account/sign-ins/", "/sign-ins/", "/tablets/", "/choose-workshop/"])
def test_whoever_has_not_signed_in_is_led_to_it_and_back(site: Site, path: str) -> None:
    browser = Client()
    answer = browser.get(path)
    assert (answer.status_code, answer["Location"]) == (302, f"/sign-in/?next={path}")
    _browser, signed_in = sign_in(site.manager.email, PASSWORD, browser, next=path)
    assert signed_in["Location"] == path


def test_after_signing_in_nobody_is_led_to_another_site(site: Site) -> None:
    browser, answer = sign_in(site.manager.email, PASSWORD, next="https://elsewhere.example/")
    assert answer["Location"] == "/choose-workshop/"
    assert browser.get("/choose-workshop/?next=https://elsewhere.example/")["Location"] == "/"
    assert browser.get("/choose-workshop/?next=//elsewhere.example/")["Location"] == "/"


def test_there_is_no_signing_up() -> None:
    assert Client().get("/account/signup/").status_code == 404
    assert Client().get("/sign-up/").status_code == 404


def test_the_session_knows_no_secret_of_the_database_and_the_database_none_of_the_session(site: Site) -> None:
    browser = browser_of(site.technician)
    secret = browser.session["membership"]
    with in_workshop(site.workshop.pk):
        session = BrowserSession.objects.get(digest=digest_of(secret))
    assert secret.encode() not in bytes(session.digest)
    assert session.membership_id == site.technician.membership.pk


def test_whoever_belongs_to_several_workshops_is_asked(site: Site, other_site: Site) -> None:
    both = other_site.person("auditor", email=site.technician.email)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    assert not is_in(browser)
    assert browser.get(ACCOUNT)["Location"] == f"/choose-workshop/?next={ACCOUNT}"
    page = browser.get("/choose-workshop/").content.decode()
    assert site.workshop.name in page
    assert other_site.workshop.name in page
    browser.post("/choose-workshop/", {"workshop": str(other_site.workshop.pk)})
    assert other_site.workshop.name in browser.get(ACCOUNT).content.decode()
    assert events_of(both) == ["signed_in"]
    assert "signed_in" not in events_of(site.technician)


def test_changing_over_ends_the_session_in_the_other_workshop(site: Site, other_site: Site) -> None:
    other_site.person("auditor", email=site.technician.email)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    browser.post("/choose-workshop/", {"workshop": str(site.workshop.pk)})
    first = browser.session["membership"]
    browser.post("/choose-workshop/", {"workshop": str(other_site.workshop.pk)})
    assert find("session", first) is None
    assert other_site.workshop.name in browser.get(ACCOUNT).content.decode()


@pytest.mark.parametrize("workshop", ["", "everywhere", "0198c3f2-0000-7000-8000-000000000000"])
def test_no_other_workshop_can_be_chosen(site: Site, other_site: Site, workshop: str) -> None:
    browser = browser_of(site.technician)
    assert browser.post("/choose-workshop/", {"workshop": workshop}).status_code == 404
    assert browser.post("/choose-workshop/", {"workshop": str(other_site.workshop.pk)}).status_code == 404
    assert is_in(browser)


def test_whoever_belongs_to_no_workshop_is_told_so(db: None) -> None:
    User.objects.create_user("nowhere@example.com", PASSWORD)
    browser, _answer = sign_in("nowhere@example.com", PASSWORD)
    page = browser.get("/choose-workshop/")
    assert page.status_code == 403
    assert "You belong to no workshop" in page.content.decode()


def test_a_closed_account_does_not_sign_in(site: Site) -> None:
    User.objects.filter(email=site.technician.email).update(is_active=False)
    browser, answer = sign_in(site.technician.email, PASSWORD)
    assert answer.status_code == 200
    assert not is_in(browser)


def test_a_deactivated_member_is_out_at_once(site: Site) -> None:
    browser = browser_of(site.technician)
    secret = browser.session["membership"]
    assert is_in(browser)
    deactivate(site, site.technician)
    assert browser.get(ACCOUNT).status_code == 302
    assert browser.get(ME).status_code == 401
    assert find("session", secret) is None


def test_even_if_the_session_had_not_been_ended_with_the_membership(site: Site) -> None:
    browser = browser_of(site.technician)
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.technician.membership.pk).update(is_active=False)
    assert find("session", browser.session["membership"]) is not None
    assert not is_in(browser)
    assert browser.get(ME).status_code == 401


def test_signing_out_ends_the_session(site: Site) -> None:
    browser = browser_of(site.technician)
    secret = browser.session["membership"]
    assert browser.get("/sign-out/").status_code == 200
    assert is_in(browser)  # looking at the question ends nothing
    answer = browser.post("/sign-out/")
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/")
    assert find("session", secret) is None
    assert not is_in(browser)
    assert events_of(site.technician) == ["signed_in", "signed_out"]
    assert browser.post("/sign-out/").status_code == 302


def test_a_stolen_secret_is_worth_nothing_in_another_persons_session(site: Site) -> None:
    thief = browser_of(site.technician)
    session = thief.session
    session["membership"] = browser_of(site.manager).session["membership"]
    session.save()
    assert not is_in(thief)


def test_a_session_ends_by_itself(site: Site) -> None:
    browser = browser_of(site.technician)
    with in_workshop(site.workshop.pk):
        BrowserSession.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert not is_in(browser)


def test_expired_sessions_are_cleared_away_and_clearing_again_does_nothing(site: Site) -> None:
    old, new = browser_of(site.technician), browser_of(site.technician)
    Session.objects.filter(pk=old.session.session_key).update(expire_date=timezone.now() - timedelta(seconds=1))
    for _time in range(2):
        clear_expired_sessions()
        assert list(Session.objects.values_list("pk", flat=True)) == [new.session.session_key]
    assert (is_in(old), is_in(new)) == (False, True)


def test_a_new_password_ends_the_other_sessions_and_keeps_this_one(site: Site) -> None:
    here, there = browser_of(site.technician), browser_of(site.technician)
    new = "another-lamp-of-oak-7"
    body = {"oldpassword": PASSWORD, "password1": new, "password2": new}
    assert here.post("/account/password/", body).status_code == 302
    assert (is_in(here), is_in(there)) == (True, False)
    assert not is_in(sign_in(site.technician.email, PASSWORD)[0])
    assert is_in(sign_in(site.technician.email, new)[0])


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"oldpassword": "not-this-one-41"}, "not your password|current password"),
        ({"password1": "short", "password2": "short"}, "too short"),
        ({"password2": "another-lamp-of-oak-8"}, "same password"),
    ],
)
def test_a_new_password_is_refused_with_the_reason(site: Site, changes: dict[str, str], said: str) -> None:
    browser = browser_of(site.technician)
    body = {"oldpassword": PASSWORD, "password1": "another-lamp-of-oak-7", "password2": "another-lamp-of-oak-7"}
    answer = browser.post("/account/password/", {**body, **changes})
    assert answer.status_code == 200
    assert re.search(said, answer.content.decode())
    assert is_in(sign_in(site.technician.email, PASSWORD)[0])


# The interface, with a browser's session


def test_the_interface_takes_a_session_for_what_its_person_may(site: Site) -> None:
    browser = browser_of(site.technician)
    assert browser.get(ME).json()["user"]["id"] == str(site.technician.membership.pk)
    assert browser.get("/api/v1/ledger/").status_code == 200
    assert browser.patch("/api/v1/workshop/", {}, content_type="application/json").status_code == 403


def test_other_sites_cannot_make_a_browser_write(site: Site) -> None:
    browser = Client(enforce_csrf_checks=True)
    browser.get("/sign-in/")
    form = {"login": site.technician.email, "password": PASSWORD}
    assert browser.post("/sign-in/", form).status_code == 403
    token = browser.cookies["csrftoken"].value
    assert browser.post("/sign-in/", {**form, "csrfmiddlewaretoken": token}).status_code == 302
    token = browser.cookies["csrftoken"].value

    def change(**headers: str) -> int:
        answer = browser.put("/api/v1/me/units/", {"length": "inch"}, content_type="application/json", headers=headers)
        return answer.status_code

    assert change() == 403
    assert change(**{"X-CSRFToken": token}) == 200


def test_a_token_goes_before_the_session(site: Site) -> None:
    browser = browser_of(site.technician)
    mine = browser.get(ME, headers={"Authorization": f"Bearer {site.manager.token}"})
    assert mine.json()["user"]["id"] == str(site.manager.membership.pk)
    assert browser.get(ME, headers={"Authorization": "Bearer unknown"}).status_code == 401


def test_a_token_opens_no_page(site: Site) -> None:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {site.manager.token}")
    assert client.get(ACCOUNT).status_code == 302


def test_signing_in_elsewhere_is_refused_while_a_session_comes_along(site: Site, other_site: Site) -> None:
    browser = browser_of(site.technician)
    body = {"email": other_site.technician.email, "password": PASSWORD, "device": "d"}
    answer = browser.post("/api/v1/tokens/", body, content_type="application/json")
    assert (answer.status_code, answer.json()["type"]) == (409, "signed_in_elsewhere")
    deactivate(site, site.technician)
    with in_workshop(site.workshop.pk):
        BrowserSession.objects.update(ended_at=None)
    assert browser.post("/api/v1/tokens/", body, content_type="application/json").status_code == 409


# Isolation


def test_with_a_session_only_the_own_workshop_is_seen(site: Site, other_site: Site) -> None:
    mine, theirs = site.vehicle(), other_site.vehicle()
    browser = browser_of(site.technician)
    listed = [each["vin"] for each in browser.get("/api/v1/vehicles/").json()["results"]]
    assert listed == [mine.vin]
    assert browser.get(f"/api/v1/vehicles/{theirs.vin}/").status_code == 404


def test_with_a_session_isolation_holds_with_every_filter_removed(
    site: Site, other_site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database alone stands in between: raw SQL within the request."""
    from fleet.pages import account

    site.vehicle()
    other_site.vehicle()
    seen: dict[str, Any] = {}

    def look(_actor: Any) -> Door:
        with connection.cursor() as cursor:
            for table in ("fleet_vehicle", "fleet_browsersession", "fleet_signinevent", "fleet_tablet"):
                cursor.execute(f"SELECT DISTINCT workshop_id FROM {table}")  # noqa: S608
                seen[table] = {row[0] for row in cursor.fetchall()}
        seen["by Django"] = set(Vehicle.objects.values_list("workshop_id", flat=True))
        return Door([])

    browser_of(other_site.technician)
    browser = browser_of(site.technician)
    monkeypatch.setattr(account, "own_door", look)
    assert browser.get("/account/sign-ins/").status_code == 200
    assert seen.pop("fleet_tablet") == set()
    assert {frozenset(workshops) for workshops in seen.values()} == {frozenset({site.workshop.pk})}


def test_the_application_has_no_rights_on_tables_of_sign_in_that_it_does_not_need(db: None) -> None:
    for statement in (
        "INSERT INTO account_emailaddress (email, verified, \"primary\", user_id) SELECT 'a@b.c', true, true, id "
        "FROM fleet_user LIMIT 1",
        "SELECT * FROM account_emailconfirmation",
        "UPDATE fleet_refusedsignin SET how = ''",
        "DELETE FROM fleet_signinevent",
    ):
        with pytest.raises(ProgrammingError, match="permission denied"), transaction.atomic():
            connection.cursor().execute(statement)

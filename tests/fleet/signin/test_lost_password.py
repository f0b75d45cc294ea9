"""A lost password: the link goes to the person alone, works once, for an hour, and only the newest does."""

from __future__ import annotations

import re
from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.core import mail
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone

from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import LedgerEntry, Membership, OutboxItem, SignInEvent, User
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Person, Site
from tests.fleet.pages.forms import form_of

from .browsers import browser_of, events_of, is_in, set_up_app, sign_in
from .test_pages import POLICY, Scan, policy_of

NEW = "slate-harbour-lamp-77"
TYPED = {"password": NEW, "password_again": NEW}
NOW = PasswordResetTokenGenerator._now
UNKNOWN = "unknown, used or expired"
LINK = re.compile(r"http://127\.0\.0\.1:8000(/new-password/[\w-]+/)")


def address_for(person: Person) -> str:
    return f"/people/{person.membership.pk}/password-link/"


def ask(manager: Client, person: Person) -> Any:
    """Open the person's page and send the form that asks for a link."""
    page = manager.get(f"/people/{person.membership.pk}/")
    return manager.post(address_for(person), form_of(page, address_for(person)).values)


def mailed(site: Site) -> list[str]:
    """The links that the worker sends now."""
    mail.outbox.clear()
    with in_workshop(site.workshop.pk):
        items = list(
            OutboxItem.objects.filter(kind="fleet.password_link_email", state="waiting").order_by("created_at")
        )
    for item in items:
        assert outbox.perform(site.workshop.pk, item.pk)
    return [LINK.search(str(message.body))[1] for message in mail.outbox]  # type: ignore[index]  # each has one


def link_for(site: Site, person: Person) -> str:
    assert ask(browser_of(site.manager), person).status_code == 302
    [link] = mailed(site)
    return link


def reset(link: str, typed: dict[str, str] | None = None, browser: Client | None = None) -> Any:
    return (browser or Client()).post(link, {**TYPED, **(typed or {})})


def opens_with(person: Person, password: str) -> bool:
    return is_in(sign_in(person.email, password)[0])


def later(monkeypatch: pytest.MonkeyPatch, wait: timedelta) -> None:
    monkeypatch.setattr(PasswordResetTokenGenerator, "_now", lambda self: NOW(self) + wait)


# Asking for a link


def test_the_person_gets_the_link_and_sets_a_new_password(site: Site) -> None:
    link = link_for(site, site.technician)
    assert mail.outbox[0].to == [site.technician.email]
    page = Client().get(link).content.decode()
    assert site.technician.email in page
    answer = reset(link)
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/")
    assert opens_with(site.technician, NEW)
    assert not opens_with(site.technician, PASSWORD)


def test_the_manager_never_sees_the_link_nor_does_the_database_hold_it(site: Site) -> None:
    manager = browser_of(site.manager)
    shown = [ask(manager, site.technician)]
    shown += [manager.get(f"/people/{site.technician.membership.pk}/"), manager.get("/sign-ins/")]
    [link] = mailed(site)
    token = link.rstrip("/").rpartition("-")[2]
    for page in shown:
        assert "new-password" not in page.content.decode()
        assert token not in page.content.decode()
    assert "is sent a link" in shown[1].content.decode()
    with in_workshop(site.workshop.pk):
        stored = [*OutboxItem.objects.values(), *LedgerEntry.objects.values(), *SignInEvent.objects.values()]
    assert token not in str([*stored, *User.objects.values()])


def test_the_answer_is_the_same_whether_or_not_mail_is_set_up(site: Site, settings: Any) -> None:
    manager, answers = browser_of(site.manager), []
    for backend in ("smtp", "filebased"):
        settings.EMAIL_BACKEND = f"django.core.mail.backends.{backend}.EmailBackend"
        answer = ask(manager, site.technician)
        page = manager.get(answer["Location"]).content.decode().partition("<main")[2]
        said = re.sub(r'value="[^"]+"', "", page)
        answers.append((answer.status_code, answer["Location"], said))
    assert answers[0] == answers[1]


def test_what_happened_is_listed_for_person_and_manager(site: Site) -> None:
    link = link_for(site, site.technician)
    reset(link)
    assert events_of(site.technician) == ["password_link_made", "password_changed"]
    with in_workshop(site.workshop.pk):
        made, changed = SignInEvent.objects.filter(membership=site.technician.membership).order_by("recorded_at", "id")
    assert (made.recorded_by, made.how) == (site.manager.membership.pk, "by a manager")
    assert (changed.recorded_by, changed.how, changed.address) == (
        site.technician.membership.pk,
        "by a link",
        "127.0.0.1",
    )
    own = sign_in(site.technician.email, NEW)[0].get("/account/sign-ins/")
    assert "link to set a new password" in own.content.decode()
    assert "link to set a new password" in browser_of(site.manager).get("/sign-ins/").content.decode()


@pytest.mark.parametrize("role", ["technician", "auditor"])
def test_only_a_manager_asks(site: Site, role: str) -> None:
    answer = browser_of(site.person(role)).post(address_for(site.technician))
    assert answer.status_code == 403
    assert mailed(site) == []


def test_who_has_not_signed_in_is_led_to_the_sign_in(site: Site) -> None:
    answer = Client().post(address_for(site.technician))
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/?next=")
    assert mailed(site) == []


def test_a_person_of_another_workshop_does_not_exist(site: Site, other_site: Site) -> None:
    assert browser_of(site.manager).post(address_for(other_site.technician)).status_code == 404
    assert mailed(other_site) == mailed(site) == []


def test_it_is_not_asked_for_by_opening_an_address(site: Site) -> None:
    assert browser_of(site.manager).get(address_for(site.technician)).status_code == 405


def test_who_may_not_sign_in_gets_none(site: Site) -> None:
    manager = browser_of(site.manager)
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.technician.membership.pk).update(is_active=False)
    assert "Lost password" not in manager.get(f"/people/{site.technician.membership.pk}/").content.decode()
    assert manager.post(address_for(site.technician)).status_code == 409
    assert mailed(site) == []


def test_many_links_for_one_person_are_refused_and_others_still_get_theirs(site: Site) -> None:
    manager = browser_of(site.manager)
    assert [ask(manager, site.technician).status_code for _attempt in range(6)] == [302] * 5 + [429]
    assert ask(manager, site.manager).status_code == 302


# What the worker sends


def test_of_two_waiting_mails_only_the_newest_is_sent(site: Site) -> None:
    manager = browser_of(site.manager)
    ask(manager, site.technician)
    ask(manager, site.technician)
    assert len(mailed(site)) == 1


@pytest.mark.parametrize("change", ["left", "closed"])
def test_whoever_may_no_longer_sign_in_is_sent_nothing(site: Site, change: str) -> None:
    ask(browser_of(site.manager), site.technician)
    with in_workshop(site.workshop.pk):
        if change == "left":
            Membership.objects.filter(pk=site.technician.membership.pk).update(is_active=False)
        else:
            User.objects.filter(email=site.technician.email).update(is_active=False)
    assert mailed(site) == []


def test_sent_again_it_is_recognisably_the_same_mail(site: Site) -> None:
    ask(browser_of(site.manager), site.technician)
    mail.outbox.clear()
    with in_workshop(site.workshop.pk):
        item = OutboxItem.objects.get(kind="fleet.password_link_email")
        for _time in range(2):
            outbox.handlers()[item.kind](Actor.system(site.workshop.pk, timezone.now()), item.payload)
    assert len(mail.outbox) == 2
    assert len({message.message()["Message-ID"] for message in mail.outbox}) == 1
    assert reset(LINK.search(str(mail.outbox[1].body))[1]).status_code == 302  # type: ignore[index]
    assert reset(LINK.search(str(mail.outbox[0].body))[1]).status_code == 404  # type: ignore[index]


# Whether a link is good


def test_it_works_once(site: Site) -> None:
    link = link_for(site, site.technician)
    reset(link)
    again = reset(link, {"password": PASSWORD, "password_again": PASSWORD})
    assert again.status_code == 404
    assert UNKNOWN in again.content.decode()
    assert opens_with(site.technician, NEW)


def test_it_holds_for_an_hour(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    link = link_for(site, site.technician)
    later(monkeypatch, timedelta(minutes=61))
    assert Client().get(link).status_code == reset(link).status_code == 404
    later(monkeypatch, timedelta(minutes=59))
    assert Client().get(link).status_code == 200
    assert reset(link).status_code == 302


def test_only_the_newest_works(site: Site) -> None:
    older = link_for(site, site.technician)
    newer = link_for(site, site.technician)
    assert reset(older).status_code == 404
    assert opens_with(site.technician, PASSWORD)
    assert reset(link_for(site, site.technician)).status_code == 302
    assert reset(newer).status_code == 404


def test_it_ends_when_the_person_signs_in_after_all(site: Site) -> None:
    User.objects.filter(email=site.technician.email).update(last_login=timezone.now() - timedelta(days=1))
    link = link_for(site, site.technician)
    browser_of(site.technician)
    assert reset(link).status_code == 404


def test_every_link_that_is_not_good_is_answered_alike(site: Site) -> None:
    link = link_for(site, site.technician)
    person = link.split("/")[2].partition("-")[0]
    stranger = link.replace(person, new_id().hex)
    foreign = link.replace(person, site.manager.membership.user_id.hex)
    damaged = link[:-2] + ("0" if link[-2] != "0" else "1") + "/"
    bad = [stranger, foreign, damaged, "/new-password/x/", f"/new-password/{person}/", f"/new-password/{person}-a-b-c/"]
    pages = {re.sub(r'value="[^"]+"', "", Client().get(path).content.decode()) for path in bad}
    assert {Client().get(path).status_code for path in bad} == {404}
    assert len(pages) == 1
    assert UNKNOWN in pages.pop()
    assert {reset(path).status_code for path in bad} == {404}
    User.objects.filter(email=site.technician.email).update(is_active=False)
    assert (Client().get(link).status_code, reset(link).status_code) == (404, 404)
    User.objects.filter(email=site.technician.email).update(is_active=True)
    assert reset(link).status_code == 302


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"password": "short", "password_again": "short"}, "too short"),
        ({"password": "password1234", "password_again": "password1234"}, "too common"),
        ({"password_again": "another-lamp-of-oak-7"}, "The two passwords differ"),
        ({"password": "", "password_again": ""}, "This field is required"),
    ],
)
def test_what_is_wrong_is_said_and_the_link_stays_good(site: Site, typed: dict[str, str], said: str) -> None:
    link = link_for(site, site.technician)
    answer = reset(link, typed)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert said in page
    assert "data-error-summary" in page
    assert NEW not in page
    assert User.objects.get(email=site.technician.email).check_password(PASSWORD)
    assert reset(link).status_code == 302


def test_attempts_with_one_link_are_limited(site: Site) -> None:
    link = link_for(site, site.technician)
    short = {"password": "short", "password_again": "short"}
    assert [reset(link, short).status_code for _attempt in range(11)] == [422] * 10 + [429]


# What a new password ends, and what stays


def test_everything_that_the_old_password_opened_ends(site: Site, other_site: Site) -> None:
    there = other_site.person("technician", email=site.technician.email)
    here = sign_in(site.technician.email, PASSWORD)[0]
    here.post("/choose-workshop/", {"workshop": str(site.workshop.pk)})
    elsewhere = sign_in(site.technician.email, PASSWORD)[0]
    elsewhere.post("/choose-workshop/", {"workshop": str(other_site.workshop.pk)})
    manager = browser_of(site.manager)
    assert is_in(here)
    assert is_in(elsewhere)
    reset(link_for(site, site.technician))
    assert not is_in(here)
    assert not is_in(elsewhere)
    assert is_in(manager)
    for person, place in ((site.technician, site), (there, other_site)):
        assert person.client().get("/api/v1/me/").status_code == 401
        assert events_of(person)[-1] == "password_changed"
        with in_workshop(place.workshop.pk):
            assert not person.membership.sessions.filter(ended_at=None).exists()


def test_a_programs_tokens_stay(site: Site) -> None:
    program = site.person("integrator", scopes=["read"])
    reset(link_for(site, program))
    assert program.client().get("/api/v1/vehicles/").status_code == 200


def test_the_second_factor_stays(site: Site) -> None:
    set_up_app(browser_of(site.technician), site.technician)
    reset(link_for(site, site.technician))
    browser, answer = sign_in(site.technician.email, NEW)
    assert answer["Location"] == "/account/second-factor/authenticate/"
    assert not is_in(browser)


def test_a_lock_by_wrong_passwords_ends_with_it(site: Site) -> None:
    for _attempt in range(10):
        sign_in(site.technician.email, "not-this-one-41")
    assert not opens_with(site.technician, PASSWORD)
    reset(link_for(site, site.technician))
    assert opens_with(site.technician, NEW)


def test_it_is_opened_while_somebody_else_is_signed_in(site: Site, other_site: Site) -> None:
    link = link_for(site, site.technician)
    browser = browser_of(other_site.manager)
    assert browser.get(link).status_code == 200
    assert reset(link, browser=browser).status_code == 302
    assert is_in(browser)


# The command


def made_by_command(email: str) -> str:
    said = StringIO()
    call_command("send_password_link", email, stdout=said)
    found = LINK.fullmatch(said.getvalue().strip())
    assert found, said.getvalue()
    return found[1]


def test_whoever_runs_the_service_makes_a_link_without_mail(site: Site) -> None:
    older = link_for(site, site.technician)
    link = made_by_command(f" {site.technician.email.upper()} ")
    assert reset(older).status_code == 404
    assert reset(link).status_code == 302
    assert opens_with(site.technician, NEW)
    assert events_of(site.technician)[:3] == ["password_link_made", "password_link_made", "password_changed"]


def test_the_command_serves_an_account_that_has_no_password_yet(site: Site) -> None:
    User.objects.filter(email=site.technician.email).update(password="!")  # noqa: S106
    assert reset(made_by_command(site.technician.email)).status_code == 302
    assert opens_with(site.technician, NEW)


def test_the_command_says_why_it_makes_none(site: Site) -> None:
    with pytest.raises(CommandError, match="No account has this e-mail address"):
        made_by_command("nobody@example.com")
    User.objects.filter(email=site.technician.email).update(is_active=False)
    with pytest.raises(CommandError, match="closed"):
        made_by_command(site.technician.email)


def test_the_sign_in_page_names_both_ways(db: None) -> None:
    page = Client().get("/sign-in/").content.decode()
    assert "A manager can have a link sent to you" in page
    assert "whoever runs this service can give you one" in page


def test_the_page_is_as_strict_as_the_others(site: Site) -> None:
    link = link_for(site, site.technician)
    for page in (Client().get(link), reset(link, {"password": ""}), Client().get("/new-password/x/")):
        scan = Scan(page.content.decode())
        assert (scan.faults, scan.unnamed(), scan.without_autocomplete()) == ([], [], [])
        assert policy_of(page) == POLICY
        assert "no-store" in page["Cache-Control"]

"""People: invited with a link that is shown once, invited again, made inactive."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from deploy.mail import mail_server
from fleet.models import Invitation, Membership
from fleet.services import invitation_code
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of, is_in

from .forms import errors_in, form_of, send

WHO: dict[str, Any] = {"name": "Kim Arden", "email": "kim.arden@example.com", "roles": ["technician"]}


def link_in(page: Any) -> str:
    found = re.search(r"<code>http://testserver(/invitation/[\w-]+/)</code>", page.content.decode())
    assert found, page.content.decode()
    return found[1]


def invited(site: Site) -> Membership:
    with in_workshop(site.workshop.pk):
        return Membership.objects.get(user__email=WHO["email"])


def test_whoever_is_invited_sets_their_password_by_the_link_that_is_shown(site: Site, manager: Client) -> None:
    page = send(manager, "/people/new/", **WHO)
    assert page.status_code == 200
    assert page["Cache-Control"].find("no-store") >= 0
    answer = Client().post(link_in(page), {"password": "slate-harbour-lamp-77", "pin": "0815"})
    assert answer.status_code == 302
    assert invited(site).is_active


def test_where_no_mail_is_sent_the_link_is_said_to_be_handed_over(site: Site, manager: Client, settings: Any) -> None:
    assert f"The link goes to {WHO['email']}" in send(manager, "/people/new/", **WHO).content.decode()
    settings.EMAIL_BACKEND = mail_server(None).backend
    page = send(manager, "/people/new/", **{**WHO, "email": "other@alderquay.example"}).content.decode()
    assert "by e-mail" not in page
    assert "Hand the link over yourself" in page


def test_who_founded_the_workshop_is_not_asked_to_accept(site: Site, manager: Client) -> None:
    founder = manager.get(f"/people/{site.manager.membership.pk}/").content.decode()
    assert "Invite again" not in founder
    assert "invited" not in manager.get("/people/", {"q": site.manager.email}).content.decode().split("<main")[1]


def test_the_link_stands_on_no_page_that_is_opened_later(site: Site, manager: Client) -> None:
    link = link_in(send(manager, "/people/new/", **WHO))
    for path in ("/people/", f"/people/{invited(site).pk}/"):
        assert link not in manager.get(path).content.decode()


def test_only_ones_own_page_leads_to_the_pin(site: Site, manager: Client) -> None:
    assert 'href="/account/pin/"' in manager.get(f"/people/{site.manager.membership.pk}/").content.decode()
    other = manager.get(f"/people/{site.technician.membership.pk}/").content.decode()
    assert "/account/pin/" not in other


def test_an_invitation_sent_twice_is_one_with_the_same_link(site: Site, manager: Client) -> None:
    sent = form_of(manager.get("/people/new/")).filled(**WHO)
    assert link_in(manager.post("/people/new/", sent)) == link_in(manager.post("/people/new/", sent))
    with in_workshop(site.workshop.pk):
        assert Invitation.objects.filter(membership=invited(site)).count() == 1


def test_who_is_here_already_is_not_invited_once_more(site: Site, manager: Client) -> None:
    page = send(manager, "/people/new/", **{**WHO, "email": site.technician.email.upper()})
    assert page.status_code == 409
    assert "belongs to a person of the workshop" in errors_in(page)["email"]
    assert form_of(page).values["name"] == [WHO["name"]]


@pytest.mark.parametrize(
    ("typed", "in_error"),
    [
        ({"email": "kim"}, "email"),
        ({"name": " "}, "name"),
        ({"roles": None}, "roles"),
        ({"roles": ["operator_contact"]}, "operator"),
        ({"roles": ["integrator", "manager"]}, "roles"),
    ],
)
def test_an_invitation_that_breaks_a_rule_comes_back(manager: Client, typed: dict[str, Any], in_error: str) -> None:
    page = send(manager, "/people/new/", **{**WHO, **typed})
    assert page.status_code == 422
    assert in_error in errors_in(page)


def test_invited_again_the_earlier_link_ends(site: Site, manager: Client) -> None:
    first = link_in(send(manager, "/people/new/", **WHO))
    path = f"/people/{invited(site).pk}/invitation/"
    sent = form_of(manager.get(f"/people/{invited(site).pk}/"), path).filled()
    second = manager.post(path, sent)
    assert link_in(second) != first
    assert link_in(manager.post(path, sent)) == link_in(second)
    with in_workshop(site.workshop.pk):
        open_still = Invitation.objects.filter(membership=invited(site), expires_at__gt=timezone.now())
        assert [f"/invitation/{invitation_code(each)}/" for each in open_still] == [link_in(second)]


def test_who_has_accepted_is_not_invited_again(site: Site, manager: Client) -> None:
    path = f"/people/{site.technician.membership.pk}/"
    page = manager.get(path)
    assert "invitation/" not in page.content.decode()
    answer = send(manager, f"{path}invitation/")
    assert answer.status_code == 409
    assert "already accepted" in errors_in(answer)[""]


def test_made_inactive_they_are_signed_out(site: Site, manager: Client) -> None:
    technician = browser_of(site.technician)
    assert is_in(technician)
    send(manager, f"/people/{site.technician.membership.pk}/", is_active=None)
    assert not is_in(technician)


def test_the_last_manager_stays_one(site: Site, manager: Client) -> None:
    answer = send(manager, f"/people/{site.manager.membership.pk}/", roles=["technician"])
    assert answer.status_code == 409
    assert "needs an active manager" in errors_in(answer)[""]


def test_the_list_is_searched_and_filtered(site: Site, manager: Client) -> None:
    send(manager, "/people/new/", **WHO)
    assert WHO["name"] in manager.get("/people/?q=ARDEN").content.decode()
    assert WHO["name"] not in manager.get("/people/?q=arden&role=manager").content.decode()
    assert WHO["name"] in manager.get("/people/?role=technician").content.decode()
    assert "Nobody is found" in manager.get("/people/?q=no-such").content.decode()

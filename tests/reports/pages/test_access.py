"""Who may open which page of the work, and what they are told where they may not."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import get_resolver

from tests.factories import Site, make_site
from tests.fleet.signin.browsers import browser_of

from .conftest import AtWork

Browsers = Callable[..., Client]
MAY = {
    "manager": {"manager", "reader", "contact"},
    "technician": {"reader", "contact"},
    "auditor": {"reader", "contact"},
    "operator_contact": {"contact"},
}


def test_the_pages_named_here_are_all_there_are(at_work: AtWork) -> None:
    found = {str(each.pattern) for each in get_resolver("reports.pages.urls").url_patterns}
    checked_elsewhere = {
        "verify/",
        "verify/schema/certificate-1.json",
        "verify/verify_certificate.py",
        "verify/<str:code>",
        "verify/<str:code>/",
        "parked-work/<uuid:item>/retry/",
        "certificates/<int:number>/sending/",
        "imports/examples/<str:kind>.<str:form>",
        "imports/files/<uuid:file_id>/<str:kind>/",
        "imports/<uuid:import_id>/carrying-out/",
        "imports/<uuid:import_id>/cancellation/",
        "imports/<uuid:import_id>/errors/",
        "account/notices/",
        "account/calendar/",
        "account/calendar/withdrawal/",
        "calendar/<str:code>/levelbook.ics",
        "head-conflicts/",
        "head-conflicts/<uuid:conflict>/",
        "notices/<str:code>/",
        "exports/<uuid:export_id>/file/",
        "archives/<uuid:archive_id>/cancellation/",
        "webhooks/<uuid:webhook>/end/",
        "webhooks/<uuid:webhook>/deliveries/<uuid:delivery>/replay/",
    }
    named = {
        "/".join("*" if any(c.isdigit() for c in part) or len(part) == 17 else part for part in path.split("/"))
        for path in at_work.pages()
    }
    shapes = {
        "/" + "/".join("*" if part.startswith("<") else part for part in each.split("/"))
        for each in found - checked_elsewhere
    }
    assert named == shapes


def test_nobody_is_led_to_the_sign_in_and_back(at_work: AtWork) -> None:
    for path in at_work.pages():
        answer = Client().get(path)
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in/?next={path}")
    assert Client().post(f"/parked-work/{at_work.parked.pk}/retry/").status_code == 302


@pytest.mark.parametrize("role", ["manager", "technician", "auditor"])
def test_people_of_the_workshop_see_it_and_managers_what_is_theirs(
    at_work: AtWork, another: Browsers, role: str
) -> None:
    browser = another(role)
    for path, needed in at_work.pages().items():
        assert (path, browser.get(path).status_code) == (path, 200 if needed in MAY[role] else 403)


def test_a_contact_sees_their_own_vehicles_and_nothing_else(at_work: AtWork) -> None:
    browser = browser_of(at_work.contact)
    for path, needed in at_work.pages().items():
        answer = browser.get(path)
        if path == "/":
            assert (answer.status_code, answer["Location"]) == (302, "/vehicles/")
        elif needed == "contact":
            assert (path, answer.status_code) == (path, 200)
            assert at_work.open.vehicle.vin not in answer.content.decode(errors="replace")
        else:
            assert (path, answer.status_code) in {(path, 403), (path, 404)}
    assert browser.post("/certificates/1/", {"reason": "x"}).status_code == 403


def test_another_workshop_finds_nothing(at_work: AtWork) -> None:
    stranger = browser_of(make_site().manager)
    lists = {"/", "/vehicles/", "/alerts/", "/due/", "/certificates/", "/parked-work/", "/worksheet/"}
    lists |= {"/webhooks/", "/webhooks/new/", "/exports/", "/archives/", "/imports/", "/imports/new/"}
    for path in at_work.pages():
        answer = stranger.get(path)
        assert (path, answer.status_code) == (path, 200 if path in lists else 404)
        assert at_work.done.vehicle.vin not in answer.content.decode()
    assert stranger.post("/certificates/1/", {"reason": "x"}).status_code == 404
    assert stranger.post(f"/parked-work/{at_work.parked.pk}/retry/").status_code == 404


def test_the_index_names_what_a_person_may_open(at_work: AtWork, another: Browsers, site: Site) -> None:
    assert 'href="/parked-work/"' in browser_of(site.manager).get("/vehicles/").content.decode()
    technician = another("technician").get("/vehicles/").content.decode()
    assert 'href="/parked-work/"' not in technician
    assert 'href="/approvals/"' in technician
    contact = browser_of(at_work.contact).get("/vehicles/").content.decode()
    assert 'href="/approvals/"' not in contact
    assert '<a href="/vehicles/" aria-current="page">' in contact


def test_pages_stay_with_the_person_who_opened_them(at_work: AtWork, manager: Client) -> None:
    for path in at_work.pages():
        assert "private" in manager.get(path)["Cache-Control"], path

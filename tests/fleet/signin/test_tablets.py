"""Tablets: a one-time code makes a device one, a PIN says who is at it, revoking ends both."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.credentials import new_secret
from fleet.ids import new_id
from fleet.models import AccessToken, EnrolmentCode, LedgerEntry, Membership, Tablet
from fleet.services.tablets import CODE_ALPHABET
from fleet.tenancy import in_workshop
from tests.factories import PIN, Person, Site

from .browsers import browser_of, events_of

ENROLMENTS, TABLET, TABLETS = "/api/v1/enrolments/", "/api/v1/tablet/", "/api/v1/tablets/"
ME = "/api/v1/me/"


def code_by(person: Person) -> str:
    """A code from the page of a signed-in person."""
    page = browser_of(person).post("/tablets/enrolment/")
    found = re.search(r"<code>([0-9A-Z-]+)</code>", page.content.decode())
    assert found, page.content.decode()
    return found[1]


def enrol(code: str, device: str = "Bay 2", **more: Any) -> Any:
    return APIClient().post(ENROLMENTS, {"code": code, "device": device, **more})


def bearer(token: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    return client


def tablet_of(site: Site) -> tuple[APIClient, str]:
    """An enrolled tablet and its id."""
    body = enrol(code_by(site.manager)).json()
    return bearer(body["token"]), body["tablet"]["id"]


def pick(tablet: APIClient, person: Person, pin: str = PIN, **more: Any) -> Any:
    return tablet.post(f"{TABLET}person/", {"person": str(person.membership.pk), "pin": pin, **more})


def pick_status(tablet: APIClient, person: Person, pin: str = PIN) -> tuple[int, str]:
    answer = pick(tablet, person, pin)
    return answer.status_code, answer.json().get("type", "")


# Enrolling


def test_a_code_makes_a_device_a_tablet_of_the_workshop(site: Site) -> None:
    answer = enrol(code_by(site.manager))
    assert answer.status_code == 201, answer.content
    assert answer["Cache-Control"] == "no-store"
    body = answer.json()
    assert body["workshop"] == {"id": str(site.workshop.pk), "name": site.workshop.name}
    assert body["tablet"]["name"] == "Bay 2"
    assert body["tablet"]["enrolled_by"] == str(site.manager.membership.pk)
    seen = bearer(body["token"]).get(TABLET)
    assert seen.json()["tablet"]["id"] == body["tablet"]["id"]
    assert events_of(site.manager)[-1] == "tablet_enrolled"
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="tablet_enrolled").count() == 1


def test_a_code_is_eight_characters_that_cannot_be_mixed_up(site: Site) -> None:
    code = code_by(site.technician)
    assert re.fullmatch(r"[0-9A-Z]{4}-[0-9A-Z]{4}", code)
    assert not set("01ILOU") & set(CODE_ALPHABET)
    with in_workshop(site.workshop.pk):
        assert code.replace("-", "").encode() not in bytes(EnrolmentCode.objects.get().digest)


def test_it_is_shown_as_a_picture_to_scan_too(site: Site) -> None:
    page = browser_of(site.technician).post("/tablets/enrolment/").content.decode()
    assert "<svg" in page
    assert "style=" not in page


@pytest.mark.parametrize("typed", [str.lower, lambda code: code.replace("-", ""), lambda code: f" {code} "])
def test_it_may_be_typed_with_small_letters_and_without_its_hyphen(site: Site, typed: Any) -> None:
    assert enrol(typed(code_by(site.manager))).status_code == 201


def test_a_code_is_good_once(site: Site) -> None:
    code = code_by(site.manager)
    assert enrol(code).status_code == 201
    again = enrol(code)
    assert (again.status_code, again.json()["type"]) == (404, "code_unknown")
    assert enrol(code, id=str(new_id())).status_code == 404
    with in_workshop(site.workshop.pk):
        assert Tablet.objects.count() == 1


def test_a_lost_answer_is_made_good_by_the_same_device_asking_again(site: Site) -> None:
    code, record_id = code_by(site.manager), str(new_id())
    first, again = enrol(code, id=record_id), enrol(code, id=record_id)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json()["tablet"]["id"] == first.json()["tablet"]["id"]
    assert bearer(first.json()["token"]).get(TABLET).status_code == 401
    assert bearer(again.json()["token"]).get(TABLET).status_code == 200
    assert enrol(code, device="another", id=record_id).status_code == 409


def test_an_expired_code_is_unknown(site: Site) -> None:
    code = code_by(site.manager)
    with in_workshop(site.workshop.pk):
        offer = EnrolmentCode.objects.get()
        assert offer.expires_at - offer.created_at == timedelta(minutes=10)
        EnrolmentCode.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    expired, unknown = enrol(code), enrol("2345-6789")
    assert expired.status_code == unknown.status_code == 404
    assert expired.json() == unknown.json()


def test_a_code_of_somebody_who_left_is_unknown(site: Site) -> None:
    code = code_by(site.technician)
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.technician.membership.pk).update(is_active=False)
    assert enrol(code).status_code == 404


def test_guessing_codes_is_slowed_down(site: Site) -> None:
    answers = [enrol("2345-6789").status_code for _attempt in range(11)]
    assert answers == [404] * 10 + [429]
    assert enrol(code_by(site.manager)).status_code == 429


@pytest.mark.parametrize(
    "body", [{}, {"code": "2345-6789"}, {"code": 7, "device": "d"}, {"code": "x" * 50, "device": "d"}]
)
def test_a_body_that_is_none_is_refused(db: None, body: dict[str, Any]) -> None:
    assert APIClient().post(ENROLMENTS, body).status_code == 422


@pytest.mark.parametrize("role", ["auditor", "operator_contact"])
def test_who_does_not_work_in_the_bay_makes_no_code(site: Site, role: str) -> None:
    fields = {"operator": site.operator().pk} if role == "operator_contact" else {}
    browser = browser_of(site.person(role, **fields))
    assert browser.post("/tablets/enrolment/").status_code == 403
    assert browser.get("/tablets/").status_code == 403
    with in_workshop(site.workshop.pk):
        assert EnrolmentCode.objects.count() == 0


def test_a_code_is_not_made_by_looking(site: Site) -> None:
    assert browser_of(site.manager).get("/tablets/enrolment/").status_code == 405
    assert Client().post("/tablets/enrolment/").status_code == 302


# The person at the tablet


def test_the_picker_names_who_works_in_the_bay(site: Site, other_site: Site) -> None:
    tablet, _id = tablet_of(site)
    site.person("auditor")
    listed = tablet.get(f"{TABLET}people/").json()
    people = {str(each.membership.pk) for each in (site.manager, site.technician)}
    assert {each["id"] for each in listed} == people
    assert {frozenset(each) for each in listed} == {frozenset({"id", "name", "has_pin"})}


def test_a_pin_gives_the_person_a_token_on_this_tablet(site: Site) -> None:
    tablet, tablet_id = tablet_of(site)
    answer = pick(tablet, site.technician)
    assert answer.status_code == 201, answer.content
    body = answer.json()
    mine = bearer(body["token"]).get(ME).json()
    assert mine["user"]["id"] == str(site.technician.membership.pk)
    with in_workshop(site.workshop.pk):
        token = AccessToken.objects.get(pk=body["id"])
    assert (str(token.tablet_id), token.kind) == (tablet_id, "person_on_tablet")
    assert token.expires_at
    assert token.expires_at - token.created_at == timedelta(hours=8)
    assert events_of(site.technician)[-1] == "signed_in"


def test_a_lost_answer_asked_for_again_needs_the_pin_again(site: Site) -> None:
    tablet, _id = tablet_of(site)
    record_id = str(new_id())
    assert pick(tablet, site.technician, id=record_id).status_code == 201
    assert pick(tablet, site.technician, "9999", id=record_id).status_code == 422
    again = pick(tablet, site.technician, id=record_id)
    assert again.status_code == 200
    assert bearer(again.json()["token"]).get(ME).status_code == 200


def test_the_tablet_alone_does_nothing_in_anybodys_name(site: Site) -> None:
    tablet, _id = tablet_of(site)
    for path in (ME, "/api/v1/vehicles/", "/api/v1/tokens/", TABLETS, "/api/v1/people/"):
        answer = tablet.get(path)
        assert (answer.status_code, answer.json()["type"]) == (403, "person_required"), path
    assert tablet.delete("/api/v1/tokens/current/").status_code == 403


def test_a_person_without_a_tablet_picks_nobody(site: Site) -> None:
    for method, path in (("get", TABLET), ("get", f"{TABLET}people/"), ("post", f"{TABLET}person/")):
        answer = getattr(site.manager.client(), method)(path)
        assert (answer.status_code, answer.json()["type"]) == (403, "tablet_required")
        assert getattr(APIClient(), method)(path).status_code == 401


def test_a_wrong_pin_is_counted_and_locks_the_person(site: Site) -> None:
    tablet, _id = tablet_of(site)
    assert [pick_status(tablet, site.technician, "9999") for _attempt in range(5)] == [(422, "invalid")] * 5
    assert pick_status(tablet, site.technician) == (429, "pin_locked")
    assert pick_status(tablet, site.manager)[0] == 201


def test_the_count_is_that_of_signing(site: Site) -> None:
    """Five attempts together, wherever they are typed."""
    tablet, _id = tablet_of(site)
    for _attempt in range(4):
        pick(tablet, site.technician, "9999")
    with in_workshop(site.workshop.pk):
        services.pin_failure_note(membership_id=site.technician.membership.pk, now=timezone.now())
    assert pick_status(tablet, site.technician) == (429, "pin_locked")


def test_trying_one_person_after_another_locks_the_tablet(site: Site) -> None:
    tablet, _id = tablet_of(site)
    people = [site.person("technician") for _number in range(3)]
    for number in range(10):
        assert pick_status(tablet, people[number % 3], "9999")[0] == 422
    answer = pick(tablet, site.manager)
    assert (answer.status_code, answer.json()["type"]) == (429, "tablet_locked")
    assert int(answer["Retry-After"]) <= 15 * 60 + 1
    other_tablet, _id = tablet_of(site)
    assert pick_status(other_tablet, site.manager)[0] == 201
    with in_workshop(site.workshop.pk):
        Tablet.objects.update(pin_locked_until=timezone.now() - timedelta(seconds=1))
    assert pick_status(tablet, site.manager)[0] == 201


def test_a_right_pin_forgives_the_tablet(site: Site) -> None:
    tablet, tablet_id = tablet_of(site)
    pick(tablet, site.technician, "9999")
    assert pick_status(tablet, site.technician)[0] == 201
    with in_workshop(site.workshop.pk):
        assert Tablet.objects.get(pk=tablet_id).pin_failures == 0


def test_nobody_else_can_be_picked(site: Site, other_site: Site) -> None:
    tablet, _id = tablet_of(site)
    gone = site.person("technician")
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=gone.membership.pk).update(is_active=False)
    for person in (other_site.manager, site.person("auditor"), gone):
        answer = pick(tablet, person)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["code"] == "unknown_reference"


def test_without_a_pin_nobody_is_at_the_tablet(site: Site) -> None:
    tablet, _id = tablet_of(site)
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.technician.membership.pk).update(pin="")
    assert pick(tablet, site.technician).json()["errors"][0]["code"] == "pin_not_set"


def test_a_persons_token_ends_with_the_shift(site: Site) -> None:
    tablet, _id = tablet_of(site)
    person = bearer(pick(tablet, site.technician).json()["token"])
    with in_workshop(site.workshop.pk):
        AccessToken.objects.filter(kind="person_on_tablet").update(expires_at=timezone.now() - timedelta(seconds=1))
    answer = person.get(ME)
    assert (answer.status_code, answer.json()["type"]) == (401, "not_authenticated")
    assert "enter your PIN again" in answer.json()["detail"]
    assert tablet.get(TABLET).status_code == 200


def test_leaving_the_tablet_ends_the_persons_token_only(site: Site) -> None:
    tablet, _id = tablet_of(site)
    person = bearer(pick(tablet, site.technician).json()["token"])
    assert person.delete("/api/v1/tokens/current/").status_code == 204
    assert person.get(ME).status_code == 401
    assert tablet.get(TABLET).status_code == 200


def test_a_deactivated_person_is_out_on_tablets_too(site: Site) -> None:
    tablet, _id = tablet_of(site)
    person = bearer(pick(tablet, site.technician).json()["token"])
    with in_workshop(site.workshop.pk):
        services.person_update(
            actor=site.manager.actor(),
            person_id=site.technician.membership.pk,
            expected_versions=[Membership.objects.get(pk=site.technician.membership.pk).version],
            changes={"is_active": False},
        )
    assert person.get(ME).status_code == 401


# The database


@pytest.mark.parametrize(
    ("kind", "has_person", "has_tablet"),
    [
        ("tablet", True, True),
        ("tablet", False, False),
        ("person_on_tablet", True, False),
        ("person_on_tablet", False, True),
        ("personal", False, False),
        ("personal", True, True),
        ("integrator", True, True),
    ],
)
def test_a_token_is_bound_to_what_its_kind_says(site: Site, kind: str, has_person: bool, has_tablet: bool) -> None:
    _tablet, tablet_id = tablet_of(site)
    with in_workshop(site.workshop.pk), pytest.raises(IntegrityError, match="bound_by_kind"), transaction.atomic():
        AccessToken.objects.create(
            kind=kind,
            membership=site.technician.membership if has_person else None,
            tablet_id=tablet_id if has_tablet else None,
            digest=new_secret().encode()[:32],
            device="d",
            created_at=timezone.now(),
        )

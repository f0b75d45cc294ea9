"""People are invited, and set their own password and PIN."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.api import throttling
from fleet.errors import Conflict, Invalid, TooMany
from fleet.models import Invitation, LedgerEntry, Membership, OutboxItem, User, Workshop
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, PIN, Person, Site

PEOPLE = "/api/v1/people/"
OWN_PASSWORD = "another-lamp-of-oak-7"  # noqa: S105


def invite(site: Site, **body: Any) -> Any:
    values = {"email": "kim@example.com", "name": "Kim Arden", "roles": ["technician"], **body}
    return site.manager.client().post(PEOPLE, values)


def accept(code: str, password: str = OWN_PASSWORD, **body: Any) -> Any:
    return APIClient().post(f"/api/v1/invitations/{code}/acceptance/", {"password": password, **body})


def signs_in(email: str, password: str) -> bool:
    body = {"email": email, "password": password, "device": "d"}
    return bool(APIClient().post("/api/v1/tokens/", body).status_code == 201)


def entries(site: Site, kind: str) -> int:
    with in_workshop(site.workshop.pk):
        return LedgerEntry.objects.filter(kind=kind).count()


def test_an_invited_person_sets_password_and_pin_and_works(site: Site) -> None:
    invited = invite(site).json()
    assert invited["is_active"] is False
    accepted = accept(invited["invitation"], pin="0471")
    assert accepted.status_code == 201, accepted.content
    assert accepted.json()["user"] == {"id": invited["id"], "name": "Kim Arden", "email": "kim@example.com"}
    assert signs_in("kim@example.com", OWN_PASSWORD)
    one = site.manager.client().get(f"{PEOPLE}{invited['id']}/").json()
    assert (one["is_active"], one["has_accepted"], one["has_pin"]) == (True, True, True)
    assert entries(site, "invitation_accepted") == entries(site, "person_invited")


def test_before_accepting_nobody_signs_in(site: Site) -> None:
    invite(site)
    assert not signs_in("kim@example.com", OWN_PASSWORD)


def test_the_code_is_nowhere_in_the_database_and_goes_out_by_e_mail(site: Site) -> None:
    code = invite(site).json()["invitation"]
    with in_workshop(site.workshop.pk):
        item = OutboxItem.objects.filter(kind="fleet.invitation_email").latest("created_at")
        invitation = Invitation.objects.get(pk=item.payload["invitation"])
        assert services.invitation_code(invitation) == code
        stored = [
            *OutboxItem.objects.values_list("payload", flat=True),
            *LedgerEntry.objects.values_list("payload", flat=True),
        ]
    assert code not in str(stored)


def test_a_code_of_another_secret_key_is_not_shown(site: Site, settings: Any) -> None:
    invite(site)
    with in_workshop(site.workshop.pk):
        invitation = Invitation.objects.latest("created_at")
        settings.SECRET_KEY = "another"  # noqa: S105
        with pytest.raises(Conflict, match="can no longer be shown"):
            services.invitation_code(invitation)


def test_the_answer_to_a_repeated_invitation_has_the_same_code(site: Site) -> None:
    body = {"id": "01933b7a-0c4e-7d5f-8a7e-2b1d0c9f8e7d"}
    first, again = invite(site, **body), invite(site, **body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["invitation"] == again.json()["invitation"]


def test_accepting_again_with_the_same_password_changes_nothing(site: Site) -> None:
    code = invite(site).json()["invitation"]
    assert accept(code, pin="0471").status_code == 201
    again = accept(code, pin="9999")
    assert again.status_code == 200
    with in_workshop(site.workshop.pk):
        person = Membership.objects.get(user__email="kim@example.com")
        actor = Person(person, "", "").actor()
        services.pin_prove(actor=actor, pin="0471")
    assert accept(code, "not-this-one-41").status_code == 422


@pytest.mark.parametrize(
    ("password", "code"),
    [
        ("short", "password_too_short"),
        ("passwordpassword", None),
        ("kim@example.com", "password_too_similar"),
    ],
)
def test_a_weak_password_is_refused(site: Site, password: str, code: str | None) -> None:
    invitation = invite(site).json()["invitation"]
    response = accept(invitation, password)
    if code is None:  # long enough, and not in the list of common ones: allowed
        assert response.status_code == 201
        return
    assert response.status_code == 422
    assert code in [error["code"] for error in response.json()["errors"]]
    assert {error["pointer"] for error in response.json()["errors"]} == {"/password"}
    assert accept(invitation).status_code == 201


@pytest.mark.parametrize("pin", ["123", "123456789", "12a4", 1234, "١٢٣٤"])
def test_a_pin_is_four_to_eight_digits(site: Site, pin: Any) -> None:
    response = accept(invite(site).json()["invitation"], pin=pin)
    assert response.status_code == 422
    assert response.json()["errors"][0]["pointer"] == "/pin"


EASILY_GUESSED = ["0000", "1234", "4321", "0123", "7890", "0987", "12345678", "1212", "1122", "7777777", "258258"]


@pytest.mark.parametrize("pin", EASILY_GUESSED)
def test_a_pin_that_is_easily_guessed_is_refused_with_the_rule(site: Site, pin: str) -> None:
    """Whether with an invitation, of which then nothing is done, or for oneself."""
    code = invite(site).json()["invitation"]
    own = site.technician.client().put("/api/v1/me/pin/", {"password": PASSWORD, "pin": pin})
    for response in (accept(code, pin=pin), own):
        assert response.status_code == 422
        (error,) = response.json()["errors"]
        assert (error["pointer"], error["code"]) == ("/pin", "pin_easily_guessed")
        assert "at least three different digits" in error["detail"]
    with in_workshop(site.workshop.pk):
        services.pin_prove(actor=site.technician.actor(), pin=PIN)
        invited = Membership.objects.select_related("user").get(user__email="kim@example.com")
    assert not invited.is_active
    assert not invited.user.has_usable_password()
    assert accept(code, pin="0471").status_code == 201


@pytest.mark.parametrize("pin", ["0471", "1235", "9870", "1123", "2581", "90210", "123443"])
def test_any_other_pin_is_taken(site: Site, pin: str) -> None:
    assert accept(invite(site).json()["invitation"], pin=pin).status_code == 201


def test_a_person_of_two_workshops_proves_their_own_password(site: Site, other_site: Site) -> None:
    code = invite(other_site, email=site.technician.email).json()["invitation"]
    refused = accept(code, OWN_PASSWORD)
    assert refused.json()["errors"][0]["code"] == "password_wrong"
    assert signs_in(site.technician.email, PASSWORD)
    assert accept(code, PASSWORD).status_code == 201
    assert not signs_in(site.technician.email, OWN_PASSWORD)


def test_an_unknown_or_expired_code_is_not_found(site: Site) -> None:
    code = invite(site).json()["invitation"]
    assert accept("guess").status_code == 404
    with in_workshop(site.workshop.pk):
        Invitation.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert accept(code).status_code == 404


def test_inviting_again_ends_the_earlier_code(site: Site) -> None:
    first = invite(site).json()
    again = site.manager.client().post(f"{PEOPLE}{first['id']}/invitation/", {})
    assert again.status_code == 201
    assert accept(first["invitation"]).status_code == 404
    assert accept(again.json()["invitation"]).status_code == 201
    refused = site.manager.client().post(f"{PEOPLE}{first['id']}/invitation/", {})
    assert (refused.status_code, refused.json()["type"]) == (409, "already_accepted")
    assert site.technician.client().post(f"{PEOPLE}{first['id']}/invitation/", {}).status_code == 403


def test_attempts_on_one_code_are_limited(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(throttling.SignInPersonThrottle, "default_rate", "2/min")
    code = invite(site).json()["invitation"]
    assert [accept(code, "short").status_code for _ in range(3)] == [422, 422, 429]


def test_an_address_is_invited_once(site: Site) -> None:
    assert invite(site).status_code == 201
    again = invite(site, email="KIM@example.com")
    assert (again.status_code, again.json()["type"]) == (409, "already_a_member")


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ({"roles": []}, "empty"),
        ({"roles": ["operator_contact"]}, "operator_required"),
        ({"roles": ["integrator", "manager"]}, "integrator_alone"),
        ({"roles": ["integrator"], "may_approve": True}, "integrator_alone"),
        ({"operator": "01933b7a-0c4e-7d5f-8a7e-2b1d0c9f8e7d"}, "unknown_reference"),
        ({"name": " "}, "blank"),
    ],
)
def test_roles_operator_and_rights_go_together(site: Site, body: dict[str, Any], code: str) -> None:
    response = invite(site, **body)
    assert response.status_code == 422
    assert code in [error["code"] for error in response.json()["errors"]]
    with in_workshop(site.workshop.pk):
        assert not Membership.objects.filter(name="Kim Arden").exists()


def test_another_workshops_operator_is_unknown(site: Site, other_site: Site) -> None:
    body = {"roles": ["operator_contact"], "operator": str(other_site.operator().pk)}
    assert invite(site, **body).json()["errors"][0]["code"] == "unknown_reference"
    body["operator"] = str(site.operator().pk)
    assert invite(site, **body).status_code == 201


def patch(site: Site, person: Person, **changes: Any) -> Any:
    path = f"{PEOPLE}{person.membership.pk}/"
    etag = site.manager.client().get(path)["ETag"]
    return site.manager.client().patch(path, changes, HTTP_IF_MATCH=etag)


def test_a_deactivated_person_is_out_at_once_and_may_come_back(site: Site) -> None:
    assert patch(site, site.technician, is_active=False).status_code == 200
    assert site.technician.client().get("/api/v1/me/").status_code == 401
    assert not signs_in(site.technician.email, PASSWORD)
    assert patch(site, site.technician, is_active=True).status_code == 200
    assert signs_in(site.technician.email, PASSWORD)
    assert site.technician.client().get("/api/v1/me/").status_code == 401


def test_nobody_is_made_active_by_another(site: Site) -> None:
    invited = invite(site).json()
    path = f"{PEOPLE}{invited['id']}/"
    response = site.manager.client().patch(path, {"is_active": True}, HTTP_IF_MATCH='"1"')
    assert (response.status_code, response.json()["type"]) == (409, "not_accepted")


@pytest.mark.parametrize("change", [{"roles": ["technician"]}, {"is_active": False}])
def test_the_last_manager_stays(site: Site, change: dict[str, Any]) -> None:
    response = patch(site, site.manager, **change)
    assert (response.status_code, response.json()["type"]) == (409, "last_manager")
    site.person("manager")
    assert patch(site, site.manager, **change).status_code == 200


def test_a_persons_operator_and_roles_change_together(site: Site, other_site: Site) -> None:
    operator = str(site.operator().pk)
    alone = patch(site, site.technician, operator=operator)
    assert alone.json()["errors"][0]["code"] == "operator_not_applicable"
    foreign = patch(site, site.technician, roles=["operator_contact"], operator=str(other_site.operator().pk))
    assert foreign.json()["errors"][0]["code"] == "unknown_reference"
    both = patch(site, site.technician, roles=["operator_contact"], operator=operator)
    assert (both.status_code, both.json()["operator"]) == (200, operator)
    approver = patch(site, site.technician, may_approve=True)
    assert approver.json()["errors"][0]["code"] == "approver_role"


def test_a_closed_account_accepts_nothing(site: Site) -> None:
    code = invite(site).json()["invitation"]
    User.objects.filter(email="kim@example.com").update(is_active=False)
    refused = accept(code)
    assert (refused.status_code, refused.json()["type"]) == (409, "account_closed")


# One-person workshop


def set_single(site: Site, *, on: bool) -> Any:
    client = site.manager.client()
    etag = client.get("/api/v1/workshop/")["ETag"]
    return client.patch("/api/v1/workshop/", {"single_person": on}, HTTP_IF_MATCH=etag)


def is_single(site: Site) -> bool:
    with in_workshop(site.workshop.pk):
        return Workshop.objects.get().single_person


def test_one_approver_may_approve_alone_until_a_second_is_active(site: Site) -> None:
    assert set_single(site, on=True).status_code == 200
    invited = invite(site, roles=["manager"]).json()
    assert is_single(site)
    accept(invited["invitation"])
    assert not is_single(site)
    refused = set_single(site, on=True)
    assert (refused.status_code, refused.json()["type"]) == (409, "second_approver")


@pytest.mark.parametrize("change", [{"may_approve": True}, {"roles": ["manager"]}])
def test_a_second_approver_by_change_switches_it_off_as_well(site: Site, change: dict[str, Any]) -> None:
    assert set_single(site, on=True).status_code == 200
    assert patch(site, site.technician, name="Lou").status_code == 200
    assert is_single(site)
    assert patch(site, site.technician, **change).status_code == 200
    assert not is_single(site)


# PIN


def test_a_pin_is_set_with_ones_own_password_only(site: Site) -> None:
    client = site.technician.client()
    wrong = client.put("/api/v1/me/pin/", {"password": "not-this-one-41", "pin": "9172"})
    assert wrong.json()["errors"][0]["code"] == "password_wrong"
    with in_workshop(site.workshop.pk):
        services.pin_prove(actor=site.technician.actor(), pin=PIN)
    assert client.put("/api/v1/me/pin/", {"password": PASSWORD, "pin": "9172"}).status_code == 200
    with in_workshop(site.workshop.pk):
        services.pin_prove(actor=site.technician.actor(), pin="9172")
        with pytest.raises(services.WrongPin):
            services.pin_prove(actor=site.technician.actor(), pin=PIN)


def test_a_managers_token_sets_no_ones_pin_but_their_own(site: Site) -> None:
    site.manager.client().put("/api/v1/me/pin/", {"password": PASSWORD, "pin": "9172"})
    with in_workshop(site.workshop.pk):
        services.pin_prove(actor=site.technician.actor(), pin=PIN)
    changed = patch(site, site.technician, pin="9172", password=OWN_PASSWORD)
    assert changed.status_code == 422
    assert {error["pointer"] for error in changed.json()["errors"]} == {"/pin", "/password"}
    assert not signs_in(site.technician.email, OWN_PASSWORD)


def test_five_wrong_pins_lock_it_for_a_while(site: Site) -> None:
    member = site.technician.membership.pk
    now = timezone.now()
    with in_workshop(site.workshop.pk):
        for _ in range(4):
            services.pin_failure_note(membership_id=member, now=now)
        services.pin_prove(actor=site.technician.actor(now), pin=PIN)
        for _ in range(5):
            services.pin_failure_note(membership_id=member, now=now)
        with pytest.raises(TooMany) as locked:
            services.pin_prove(actor=site.technician.actor(now), pin=PIN)
        assert 0 < locked.value.retry_after_s <= 901
        services.pin_prove(actor=site.technician.actor(now + timedelta(minutes=16)), pin=PIN)


def test_the_end_of_a_lock_is_told_by_the_workshops_clock(site: Site) -> None:
    now = datetime(2026, 10, 6, 8, 12, tzinfo=UTC)
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(time_zone="Asia/Kathmandu")
        Membership.objects.filter(pk=site.technician.membership.pk).update(pin_locked_until=now + timedelta(minutes=15))
        with pytest.raises(TooMany, match="until 6 Oct 2026, 14:12 by the workshop's clock"):
            services.pin_prove(actor=site.technician.actor(now), pin=PIN)


def test_without_a_pin_one_is_told_to_set_it(site: Site) -> None:
    code = invite(site).json()["invitation"]
    accept(code)
    with in_workshop(site.workshop.pk):
        person = Membership.objects.get(user__email="kim@example.com")
        with pytest.raises(Invalid, match="PUT /me/pin/"):
            services.pin_prove(actor=Person(person, "", "").actor(), pin=PIN)


def test_no_secret_is_kept_as_it_is(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        person = Membership.objects.select_related("user").get(pk=site.technician.membership.pk)
        assert PIN not in person.pin
        assert PASSWORD not in User.objects.get(pk=person.user_id).password

"""Signing in with one's own password, and what a token is good for until it is revoked."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth import hashers
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.actor import Actor
from fleet.api import throttling
from fleet.errors import Forbidden, Invalid
from fleet.ids import new_id
from fleet.models import AccessToken, LedgerEntry, Membership, User
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Site

TOKENS = "/api/v1/tokens/"


def sign_in(email: str, password: str = PASSWORD, **more: Any) -> Any:
    return APIClient().post(TOKENS, {"email": email, "password": password, "device": "tablet 2", **more})


def works(secret: str) -> bool:
    return bool(APIClient().get("/api/v1/me/", HTTP_AUTHORIZATION=f"Bearer {secret}").status_code == 200)


def test_the_right_password_gives_a_token_for_this_device(site: Site) -> None:
    response = sign_in(site.manager.email.upper())
    assert response.status_code == 201, response.content
    body = response.json()
    assert works(body["token"])
    assert body["device"] == "tablet 2"
    assert body["user"]["id"] == str(site.manager.membership.pk)
    assert body["user"]["email"] == site.manager.email
    assert response["Cache-Control"] == "no-store"


def test_a_secret_is_nowhere_in_the_database(site: Site) -> None:
    secret = sign_in(site.manager.email).json()["token"]
    with in_workshop(site.workshop.pk):
        token = AccessToken.objects.get(device="tablet 2")
        assert secret.encode() not in bytes(token.digest)
        assert secret not in str(list(LedgerEntry.objects.values_list("payload", flat=True)))


def test_a_wrong_password_and_an_unknown_person_are_answered_alike(site: Site) -> None:
    wrong = sign_in(site.manager.email, "not-this-one-41")
    unknown = sign_in("nobody@example.com", "not-this-one-41")
    assert wrong.status_code == unknown.status_code == 401
    assert wrong.json() == unknown.json()
    assert wrong.json()["type"] == "credentials_wrong"


@pytest.mark.parametrize("who", ["unknown", "known", "invited"])
def test_the_same_work_is_done_whoever_asks(site: Site, monkeypatch: pytest.MonkeyPatch, who: str) -> None:
    """Counts hashings instead of measuring time: exactly one, whether or not there is such a person."""
    User.objects.create_user("invited@example.com")
    emails = {"unknown": "nobody@example.com", "known": site.manager.email, "invited": "invited@example.com"}
    hasher = type(hashers.get_hasher("default"))
    hashings: list[str] = []
    encode = hasher.encode

    def counted(self: Any, password: str, salt: str, *rest: Any, **named: Any) -> str:
        hashings.append(password)
        return str(encode(self, password, salt, *rest, **named))

    monkeypatch.setattr(hasher, "encode", counted)
    assert sign_in(emails[who], "not-this-one-41").status_code == 401
    assert len(hashings) == 1


def test_who_belongs_to_several_workshops_is_asked_which(site: Site, other_site: Site) -> None:
    other_site.person("auditor", email=site.manager.email)
    response = sign_in(site.manager.email)
    assert response.status_code == 422
    problem = response.json()
    assert problem["errors"][0]["pointer"] == "/workshop"
    assert {w["id"] for w in problem["workshops"]} == {str(site.workshop.pk), str(other_site.workshop.pk)}
    chosen = sign_in(site.manager.email, workshop=str(other_site.workshop.pk))
    assert chosen.status_code == 201
    assert chosen.json()["workshop"] == str(other_site.workshop.pk)


def test_workshops_are_listed_after_a_right_password_only(site: Site, other_site: Site) -> None:
    other_site.person("auditor", email=site.manager.email)
    refused = sign_in(site.manager.email, "not-this-one-41")
    assert refused.status_code == 401
    assert "workshops" not in refused.json()


def test_another_workshop_cannot_be_chosen(site: Site, other_site: Site) -> None:
    response = sign_in(site.manager.email, workshop=str(other_site.workshop.pk))
    assert (response.status_code, response.json()["type"]) == (403, "no_membership")


def test_a_person_who_was_deactivated_does_not_sign_in(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.technician.membership.pk).update(is_active=False)
    assert sign_in(site.technician.email).json()["type"] == "no_membership"
    assert not works(site.technician.token)


def test_a_lost_answer_is_made_good_by_asking_again(site: Site) -> None:
    """Only the hash is kept, so the second answer has another secret, and the lost one ends."""
    body = {"id": str(new_id())}
    first, again = sign_in(site.manager.email, **body), sign_in(site.manager.email, **body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["id"] == again.json()["id"] == body["id"]
    assert works(again.json()["token"])
    assert not works(first.json()["token"])
    other = sign_in(site.manager.email, device="tablet 3", **body)
    assert (other.status_code, other.json()["type"]) == (409, "id_reused")


def test_an_expired_token_is_refused(site: Site) -> None:
    assert works(site.manager.token)
    with in_workshop(site.workshop.pk):
        AccessToken.objects.update(expires_at=timezone.now() - timedelta(days=1))
    assert not works(site.manager.token)


def test_signing_out_ends_this_token_only(site: Site) -> None:
    other = sign_in(site.manager.email).json()["token"]
    assert site.manager.client().delete(f"{TOKENS}current/").status_code == 204
    assert not works(site.manager.token)
    assert works(other)


def test_a_manager_lists_and_revokes_everyones_tokens(site: Site) -> None:
    client = site.manager.client()
    listed = client.get(TOKENS).json()["results"]
    assert {row["user"]["id"] for row in listed} == {
        str(site.manager.membership.pk),
        str(site.technician.membership.pk),
    }
    assert not any("token" in row or "digest" in row for row in listed)
    (tablet,) = [row for row in listed if row["user"]["id"] == str(site.technician.membership.pk)]
    for _again in range(2):
        assert client.delete(f"{TOKENS}{tablet['id']}/").status_code == 204
    assert not works(site.technician.token)
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="token_revoked", record_id=tablet["id"]).count() == 1


def test_others_see_and_revoke_their_own_tokens_only(site: Site, other_site: Site) -> None:
    managers = site.manager.client().get(TOKENS).json()["results"]
    (foreign,) = [row["id"] for row in managers if row["user"]["id"] == str(site.manager.membership.pk)]
    client = site.technician.client()
    assert [row["user"]["id"] for row in client.get(TOKENS).json()["results"]] == [str(site.technician.membership.pk)]
    assert client.get(f"{TOKENS}{foreign}/").status_code == 404
    assert client.delete(f"{TOKENS}{foreign}/").status_code == 404
    assert other_site.manager.client().delete(f"{TOKENS}{foreign}/").status_code == 404
    assert works(site.manager.token)


def test_tokens_are_not_listed_without_one(site: Site) -> None:
    assert APIClient().get(TOKENS).status_code == 401
    assert APIClient().get(TOKENS, HTTP_AUTHORIZATION="Bearer guess").status_code == 401
    assert APIClient().delete(f"{TOKENS}current/").status_code == 401


def test_a_token_of_another_workshop_must_not_come_along(site: Site, other_site: Site) -> None:
    response = other_site.manager.client().post(
        TOKENS, {"email": site.manager.email, "password": PASSWORD, "device": "d"}
    )
    assert (response.status_code, response.json()["type"]) == (409, "signed_in_elsewhere")


def test_an_integrators_token_does_what_its_scopes_say(site: Site) -> None:
    integrator = site.person("integrator", scopes=["read"])
    client = integrator.client()
    assert client.get("/api/v1/vehicles/").status_code == 200
    assert client.post("/api/v1/vehicles/", {}).status_code == 403
    path = f"/api/v1/people/{integrator.membership.pk}/tokens/"
    body = {"device": "gauge", "scopes": ["vehicles:write"], "id": str(new_id())}
    made = site.manager.client().post(path, body)
    assert made.status_code == 201, made.content
    gauge = APIClient()
    gauge.credentials(HTTP_AUTHORIZATION=f"Bearer {made.json()['token']}")
    assert gauge.post("/api/v1/vehicles/", {}).status_code == 422
    assert gauge.get("/api/v1/vehicles/").status_code == 403
    assert site.manager.client().post(path, body).status_code == 200
    assert site.technician.client().post(path, body).status_code == 403


def test_scopes_are_for_integrators(site: Site) -> None:
    path = f"/api/v1/people/{site.technician.membership.pk}/tokens/"
    refused = site.manager.client().post(path, {"device": "d", "scopes": ["read"]})
    assert (refused.status_code, refused.json()["type"]) == (409, "not_an_integrator")
    assert sign_in(site.technician.email).json()["scopes"] == []


@pytest.mark.parametrize(
    "body",
    [{"password": 4711}, {"password": "x" * 257}, {"email": ["a"]}, {"device": ""}, {"workshop": "w"}],
)
def test_a_malformed_sign_in_is_invalid(site: Site, body: dict[str, Any]) -> None:
    response = APIClient().post(TOKENS, {"email": site.manager.email, "password": PASSWORD, "device": "d", **body})
    assert response.status_code == 422
    assert response.json()["errors"][0]["pointer"].startswith(f"/{next(iter(body))}")


def test_attempts_on_one_person_are_limited(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(throttling.SignInPersonThrottle, "default_rate", "2/min")
    answers = [sign_in(site.manager.email, "not-this-one-41").status_code for _ in range(3)]
    assert answers == [401, 401, 429]
    limited = sign_in(site.manager.email)
    assert int(limited["Retry-After"]) > 0
    assert sign_in(site.technician.email).status_code == 201


def test_attempts_from_one_address_are_limited(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(throttling.SignInAddressThrottle, "default_rate", "2/min")
    answers = [sign_in(f"p{number}@example.com").status_code for number in range(3)]
    assert answers == [401, 401, 429]


def test_rates_come_from_the_settings(site: Site, settings: Any) -> None:
    settings.REST_FRAMEWORK = {
        **settings.REST_FRAMEWORK,
        "DEFAULT_THROTTLE_RATES": {"sign_in_person": "1/min", "sign_in_address": None, "token": "1/min"},
    }
    assert [sign_in(site.manager.email, "not-this-one-41").status_code for _ in range(2)] == [401, 429]
    client = site.technician.client()
    assert [client.get("/api/v1/me/").status_code for _ in range(2)] == [200, 429]


def test_the_epoch_is_on_every_answer(site: Site) -> None:
    client = site.manager.client()
    answers = [client.get("/api/v1/me/"), client.get("/api/v1/jobs/none/"), client.post("/api/v1/operators/", {})]
    assert [(answer.status_code, len(answer["Levelbook-Epoch"])) for answer in answers] == [
        (200, 36),
        (404, 36),
        (422, 36),
    ]


def test_what_is_meant_for_another_epoch_changes_nothing(site: Site) -> None:
    client = site.manager.client()
    epoch = client.get("/api/v1/me/")["Levelbook-Epoch"]
    body = {"id": str(new_id()), "name": "Weir Port", "email": "weir@example.com"}
    refused = client.post("/api/v1/operators/", body, headers={"Levelbook-Epoch": str(new_id())})
    assert (refused.status_code, refused.json()["type"], refused["Levelbook-Epoch"]) == (409, "epoch_changed", epoch)
    assert client.get("/api/v1/operators/").json()["results"] == []
    assert client.get("/api/v1/operators/", headers={"Levelbook-Epoch": str(new_id())}).status_code == 200
    assert client.post("/api/v1/operators/", body, headers={"Levelbook-Epoch": epoch}).status_code == 201


def test_a_revoked_token_is_not_renewed(site: Site) -> None:
    body = {"id": str(new_id())}
    first = sign_in(site.manager.email, **body).json()
    assert site.manager.client().delete(f"{TOKENS}{first['id']}/").status_code == 204
    again = sign_in(site.manager.email, **body)
    assert (again.status_code, again.json()["type"]) == (409, "token_revoked")


def test_an_inactive_integrator_gets_no_token(site: Site, other_site: Site) -> None:
    integrator = site.person("integrator")
    path = f"/api/v1/people/{integrator.membership.pk}/tokens/"
    body = {"device": "gauge", "scopes": ["read"]}
    assert other_site.manager.client().post(path, body).status_code == 404
    assert APIClient().post(path, body).status_code == 401
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=integrator.membership.pk).update(is_active=False)
    refused = site.manager.client().post(path, body)
    assert (refused.status_code, refused.json()["type"]) == (409, "not_active")
    listed = site.manager.client().get(path).json()["results"]
    assert {row["user"]["id"] for row in listed} == {str(integrator.membership.pk)}
    assert site.technician.client().get(path).status_code == 403


def test_a_programs_own_password_lets_it_read_and_no_more_whatever_a_manager_granted(site: Site) -> None:
    integrator = site.person("integrator", scopes=["read", "vehicles:write"])
    assert sign_in(integrator.email).json()["scopes"] == ["read"]
    refused = sign_in(integrator.email, scopes=["vehicles:write"])
    assert refused.status_code == 422
    assert [(each["pointer"], each["code"]) for each in refused.json()["errors"]] == [("/scopes", "unknown_member")]


def test_the_time_of_the_tablet_is_noted_where_it_is_one(site: Site) -> None:
    """`Device-Time` with an offset counts; anything else, or what no record can hold, is passed over."""
    vehicle = site.vehicle()
    path = f"/api/v1/vehicles/{vehicle.vin}/events/"
    body = {"kind": "other", "happened_at": "2026-01-10T09:30:00Z"}
    beyond = ("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00")
    for told in ("2026-01-10T09:31:00+02:00", "2026-01-10T09:31:00", "noon", "2026-99-10T09:31:00Z", *beyond):
        response = site.technician.client().post(path, body, headers={"Device-Time": told})
        assert response.status_code == 201
    with in_workshop(site.workshop.pk):
        entries = LedgerEntry.objects.filter(kind="service_event_recorded").order_by("sequence")
        noted = [entry.device_at.isoformat() if entry.device_at else None for entry in entries]
    assert noted == ["2026-01-10T07:31:00+00:00", None, None, None, None, None]


@pytest.mark.parametrize("scopes", [["sign_off"], ["read", "decide"], []])
def test_the_service_itself_grants_no_scope_beyond_the_list(site: Site, scopes: list[str]) -> None:
    integrator = site.person("integrator")
    with in_workshop(site.workshop.pk), pytest.raises(Invalid) as refusal:
        services.integrator_token_issue(
            actor=site.manager.actor(),
            record_id=new_id(),
            membership=integrator.membership,
            device="gauge",
            scopes=scopes,
        )
    assert refusal.value.errors[0].code == "unknown_scope"


def test_the_service_itself_is_no_person(site: Site) -> None:
    actor = Actor.system(site.workshop.pk, timezone.now())
    with in_workshop(site.workshop.pk), pytest.raises(Forbidden, match="Only a person"):
        services.token_issue(actor=actor, record_id=new_id(), device="d")

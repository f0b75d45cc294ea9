"""Webhooks over HTTP: made, changed, ended, seen and replayed; who may, and what is refused how."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.utils import timezone

from deploy.outbound import webhook_policy
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.services.webhook_deliveries import event_tell
from tests.factories import Site

from .receiver import Receiver, receiving

Perform = Callable[[Site], list[str]]
HOOKS = "/api/v1/webhooks/"
URL = "https://203-0-113.hooks.example.com/levelbook"


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    with receiving() as made:
        settings.WEBHOOK_POLICY = webhook_policy(networks=["127.0.0.0/8"], ports=[str(made.port)], allows_http=True)
        yield made


def made(site: Site, url: str = URL, **fields: Any) -> dict[str, Any]:
    answer = site.manager.client().post(HOOKS, {"url": url, "events": ["job.ended"], **fields})
    assert answer.status_code == 201, answer.json()
    body: dict[str, Any] = answer.json()
    return body


def test_the_secret_is_shown_once(site: Site) -> None:
    hook = made(site)
    assert hook["secret"].startswith("whsec_")
    client = site.manager.client()
    shown = client.get(f"{HOOKS}{hook['id']}/").json()
    assert "secret" not in shown
    [listed] = client.get(HOOKS).json()["results"]
    assert listed == shown == {name: value for name, value in hook.items() if name != "secret"}


def test_sent_again_with_its_id_it_is_the_same_and_other_content_is_refused(site: Site) -> None:
    known = str(new_id())
    first = made(site, id=known)
    again = site.manager.client().post(HOOKS, {"id": known, "url": URL, "events": ["job.ended"]})
    assert (again.status_code, again.json()) == (200, first)
    other = site.manager.client().post(HOOKS, {"id": known, "url": URL, "events": ["alert.opened"]})
    assert (other.status_code, other.json()["type"]) == (409, "id_reused")


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        ({"url": "https://127.0.0.1/"}, "/url", "internal_address"),
        ({"url": "http://hooks.example.com/"}, "/url", "https_required"),
        ({"url": "https://hooks.example.com:22/"}, "/url", "port_refused"),
        ({"url": "https://kim:pw@hooks.example.com/"}, "/url", "url_with_password"),
        ({"url": "no address"}, "/url", "url_form"),
        ({"events": []}, "/events", "empty"),
        ({"events": ["job.opened"]}, "/events/0", "not_allowed"),
        ({"event": ["job.ended"]}, "/event", "unknown_member"),
    ],
)
def test_what_is_wrong_is_named_with_what_to_do(site: Site, body: dict[str, Any], pointer: str, code: str) -> None:
    answer = site.manager.client().post(HOOKS, {"url": URL, "events": ["job.ended"], **body})
    assert answer.status_code == 422
    [error] = answer.json()["errors"]
    assert (error["pointer"], error["code"]) == (pointer, code)
    assert len(error["detail"]) > 20


def test_a_change_needs_the_version_that_was_read(site: Site) -> None:
    hook = made(site)
    client, path = site.manager.client(), f"{HOOKS}{hook['id']}/"
    assert client.patch(path, {"active": False}).status_code == 428
    assert client.patch(path, {"active": False}, headers={"If-Match": '"7"'}).status_code == 412
    changed = client.patch(path, {"active": False}, headers={"If-Match": '"1"'})
    assert (changed.status_code, changed.json()["state"], changed["ETag"]) == (200, "disabled", '"2"')
    refused = client.patch(path, {"url": "https://[::1]/"}, headers={"If-Match": '"2"'})
    assert refused.json()["errors"][0]["code"] == "internal_address"


def test_it_is_rotated_with_an_overlap_once_however_often_it_is_asked(site: Site) -> None:
    hook = made(site)
    client, path = site.manager.client(), f"{HOOKS}{hook['id']}/rotation/"
    body = {"id": str(new_id()), "overlap_hours": 12}
    first, again = client.post(path, body), client.post(path, body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["secret"] == again.json()["secret"] != hook["secret"]
    assert first["Cache-Control"] == "no-store"
    assert client.post(path, {"overlap_hours": 1000}).json()["errors"][0]["pointer"] == "/overlap_hours"


def test_it_is_ended_once_and_stays_to_be_seen(site: Site) -> None:
    hook = made(site)
    client, path = site.manager.client(), f"{HOOKS}{hook['id']}/"
    assert [client.delete(path).status_code for _ in range(2)] == [204, 204]
    assert client.get(path).json()["state"] == "ended"
    changed = client.patch(path, {"active": True}, headers={"If-Match": '"2"'})
    assert (changed.status_code, changed.json()["type"]) == (409, "webhook_ended")


def test_deliveries_are_seen_and_replayed_once_for_an_id(site: Site, receiver: Receiver, perform_all: Perform) -> None:
    perform_all(site)
    hook = made(site, receiver.url)
    with in_workshop(site.workshop.pk):
        event_tell(Actor.system(site.workshop.pk, timezone.now()), "job.ended", new_id(), {"job": "1"})
    perform_all(site)
    client, path = site.manager.client(), f"{HOOKS}{hook['id']}/deliveries/"
    [delivery] = client.get(path).json()["results"]
    assert delivery["state"] == "delivered"
    assert [each["status"] for each in delivery["attempts"]] == [204]
    assert client.get(f"{path}?state=failed").json()["results"] == []
    body = {"id": str(new_id())}
    answers = [client.post(f"{path}{delivery['id']}/replay/", body).status_code for _ in range(2)]
    assert answers == [201, 200]
    perform_all(site)
    assert len(receiver.received) == 2
    assert len({each.headers["webhook-id"] for each in receiver.received}) == 1
    assert len(client.get(f"{path}{delivery['id']}/").json()["attempts"]) == 2


def calls(hook: str) -> list[tuple[str, str]]:
    return [
        ("get", HOOKS),
        ("post", HOOKS),
        ("get", f"{HOOKS}{hook}/"),
        ("patch", f"{HOOKS}{hook}/"),
        ("delete", f"{HOOKS}{hook}/"),
        ("post", f"{HOOKS}{hook}/rotation/"),
        ("get", f"{HOOKS}{hook}/deliveries/"),
        ("post", f"{HOOKS}{hook}/deliveries/{new_id()}/replay/"),
    ]


@pytest.mark.parametrize("roles", [("technician",), ("auditor",), ("integrator",)])
def test_other_roles_may_nothing(site: Site, roles: tuple[str, ...]) -> None:
    hook = made(site)["id"]
    fields = {"scopes": ["read", "facts:write"]} if roles == ("integrator",) else {}
    client = site.person(*roles, **fields).client()
    for method, path in calls(hook):
        assert getattr(client, method)(path, {}).status_code == 403, (method, path)


def test_nobody_unknown_may_anything(site: Site, client: Any) -> None:
    for method, path in calls(made(site)["id"]):
        assert getattr(client, method)(path).status_code == 401, (method, path)


def test_another_workshop_sees_nothing(site: Site, other_site: Site) -> None:
    hook = made(site)["id"]
    client = other_site.manager.client()
    assert client.get(HOOKS).json()["results"] == []
    for method, path in calls(hook):
        if path != HOOKS:
            body = {"active": False} if method == "patch" else {}
            answer = getattr(client, method)(path, body, headers={"If-Match": '"1"'})
            assert answer.status_code == 404, (method, path)


def test_a_certificate_is_sent_again_once_for_an_id(site: Site, perform_all: Perform) -> None:
    from django.core import mail

    from . import jobs

    bench = jobs.left_alone(site)
    perform_all(site)
    mail.outbox.clear()
    client, body = site.technician.client(), {"id": str(new_id())}
    answers = [client.post("/api/v1/certificates/1/sending/", body).status_code for _ in range(2)]
    assert answers == [201, 200]
    perform_all(site)
    assert [message.to for message in mail.outbox] == [[bench.vehicle.operator.email]]
    assert site.person("auditor").client().post("/api/v1/certificates/1/sending/", {}).status_code == 403
    assert client.post("/api/v1/certificates/9/sending/", {}).status_code == 404


def test_a_certificate_that_was_replaced_is_sent_to_nobody(site: Site, perform_all: Perform) -> None:
    from . import jobs

    jobs.left_alone(site)
    perform_all(site)
    assert site.manager.client().post("/api/v1/certificates/1/replacement/", {"reason": "Mistyped"}).status_code == 201
    perform_all(site)
    answer = site.technician.client().post("/api/v1/certificates/1/sending/", {})
    assert (answer.status_code, answer.json()["type"]) == (409, "certificate_replaced")
    assert site.technician.client().post("/api/v1/certificates/2/sending/", {}).status_code == 201


def test_a_certificate_for_nobody_is_refused_with_what_to_do(site: Site, perform_all: Perform) -> None:
    from . import jobs

    jobs.left_alone(site, vehicle=site.vehicle(operator=site.operator(email="")))
    perform_all(site)
    answer = site.manager.client().post("/api/v1/certificates/1/sending/", {})
    assert (answer.status_code, answer.json()["type"]) == (409, "no_recipients")

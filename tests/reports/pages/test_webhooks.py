"""The pages of webhooks and of one's own e-mails, as forms without any script."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.utils import timezone

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import DeclinedNotice, Webhook, WebhookAttempt, WebhookDelivery
from reports.services.webhook_deliveries import event_tell
from tests.factories import Site
from tests.fleet.pages.forms import errors_in, form_of, send
from tests.fleet.signin.browsers import browser_of

URL = "https://hooks.example.com/levelbook"


@pytest.fixture
def hook(site: Site, manager: Client) -> Webhook:
    answer = send(manager, "/webhooks/new/", url=URL, events=["job.ended", "alert.opened"])
    assert answer.status_code == 200
    assert "whsec_" in answer.content.decode()
    with in_workshop(site.workshop.pk):
        return Webhook.objects.get()


@pytest.fixture
def delivery(site: Site, hook: Webhook) -> WebhookDelivery:
    with in_workshop(site.workshop.pk):
        event_tell(Actor.system(site.workshop.pk, timezone.now()), "job.ended", new_id(), {"job": "1"})
        return WebhookDelivery.objects.get()


def test_one_is_added_and_its_secret_shown_this_once(site: Site, manager: Client, hook: Webhook) -> None:
    listed = manager.get("/webhooks/").content.decode()
    assert URL in listed
    assert "whsec_" not in listed + manager.get(f"/webhooks/{hook.pk}/").content.decode()


def test_the_page_says_what_it_is_for_and_what_the_secret_does(manager: Client) -> None:
    page = manager.get("/webhooks/new/").content.decode()
    for words in ("so that nobody has to look", "answer within a few seconds", "only the two programs know"):
        assert words in page, words
    for jargon in ("internal ones are refused", "HMAC"):
        assert jargon not in page


def test_a_forbidden_address_comes_back_with_what_was_typed(site: Site, manager: Client) -> None:
    answer = send(manager, "/webhooks/new/", url="https://localhost/", events=["job.ended"])
    assert answer.status_code == 422
    assert "internal network" in errors_in(answer)["url"]
    assert form_of(answer, "").values["url"] == ["https://localhost/"]


def test_it_is_changed_stopped_and_begun_again(site: Site, manager: Client, hook: Webhook) -> None:
    path = f"/webhooks/{hook.pk}/"
    assert send(manager, path, events=["job.ended"], active=None).status_code == 302
    with in_workshop(site.workshop.pk):
        found = Webhook.objects.get()
    assert (found.events, found.state) == (["job.ended"], "disabled")


def test_another_secret_is_made(site: Site, manager: Client, hook: Webhook) -> None:
    answer = send(manager, f"/webhooks/{hook.pk}/rotation/", overlap_hours="2")
    assert "whsec_" in answer.content.decode()
    with in_workshop(site.workshop.pk):
        assert hook.secrets.count() == 2


def test_it_is_ended(site: Site, manager: Client, hook: Webhook) -> None:
    assert manager.post(f"/webhooks/{hook.pk}/end/").status_code == 302
    with in_workshop(site.workshop.pk):
        assert Webhook.objects.get().state == "ended"
    assert "End it" not in manager.get(f"/webhooks/{hook.pk}/").content.decode()


def test_a_message_is_sent_again_once_for_a_form(
    site: Site, manager: Client, hook: Webhook, delivery: WebhookDelivery
) -> None:
    page = manager.get(f"/webhooks/{hook.pk}/")
    path = f"/webhooks/{hook.pk}/deliveries/{delivery.pk}/replay/"
    sent = form_of(page, path).values
    for _ in range(2):
        assert manager.post(path, sent).status_code == 302
    with in_workshop(site.workshop.pk):
        assert WebhookDelivery.objects.get().series == 2


@pytest.mark.parametrize(("status", "is_redirect"), [(302, True), (500, False)])
def test_an_answer_that_leads_elsewhere_says_that_nobody_follows(
    site: Site, manager: Client, hook: Webhook, delivery: WebhookDelivery, status: int, is_redirect: bool
) -> None:
    with in_workshop(site.workshop.pk):
        WebhookAttempt.objects.create(
            id=new_id(), delivery=delivery, made_at=timezone.now(), outcome="answered", status=status
        )
    page = manager.get(f"/webhooks/{hook.pk}/").content.decode()
    assert f"answered with {status}" in page
    assert ("redirects are not followed" in page) == is_redirect


def test_only_managers_open_them(hook: Webhook, another: Callable[..., Client]) -> None:
    for roles in ("technician", "auditor"):
        browser = another(roles)
        for path in ("/webhooks/", "/webhooks/new/", f"/webhooks/{hook.pk}/", f"/webhooks/{hook.pk}/rotation/"):
            assert browser.get(path).status_code == 403
        assert browser.post(f"/webhooks/{hook.pk}/end/").status_code == 403


def test_another_workshops_are_not_there(hook: Webhook, other_site: Site) -> None:
    browser = browser_of(other_site.manager)
    for path in (f"/webhooks/{hook.pk}/", f"/webhooks/{hook.pk}/rotation/"):
        assert browser.get(path).status_code == 404
    assert browser.post(f"/webhooks/{hook.pk}/end/").status_code == 404


def test_people_choose_their_e_mails(site: Site, manager: Client) -> None:
    assert "/account/notices/" in manager.get("/account/").content.decode()
    page = manager.get("/account/notices/")
    sent = form_of(page, "").values
    assert "checks" in sent["wanted"]
    left = [each for each in sent["wanted"] if each != "checks"]
    assert manager.post("/account/notices/", {**sent, "wanted": left}).status_code == 302
    with in_workshop(site.workshop.pk):
        assert DeclinedNotice.objects.get().kind == "checks"
    again = form_of(manager.get("/account/notices/"), "").values
    assert again["wanted"] == left
    assert manager.post("/account/notices/", {**sent, "wanted": ["no such"]}).status_code == 422


def test_what_was_given_up_and_what_is_tried_again_is_seen_at_once(
    site: Site, manager: Client, hook: Webhook, delivery: WebhookDelivery
) -> None:
    assert "given up" not in manager.get("/").content.decode()
    with in_workshop(site.workshop.pk):
        WebhookDelivery.objects.update(state="failed", finished_at=timezone.now())
        OutboxItem.objects.filter(kind="reports.webhook_attempt").update(
            kind="reports.certificate_email", attempts=3, error="ConnectionRefusedError: no server there"
        )
    today, parked = manager.get("/").content.decode(), manager.get("/parked-work/").content.decode()
    assert "One message to a webhook was given up" in today
    assert "tried again and again" in today
    assert "no server there" in parked
    assert "Next attempt" in parked

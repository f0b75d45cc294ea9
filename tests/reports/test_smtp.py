"""E-mail over a real mail server: what arrives, and what becomes of it while the server is down or refuses."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from fleet import outbox
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.ports import free_port

from . import jobs
from .mail_server import MailServer, mail_server

Perform = Callable[[Site], list[str]]


@pytest.fixture
def over_smtp(settings: Any) -> int:
    """The port at which the service looks for its mail server; nobody listens there yet."""
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", free_port()
    settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
    port: int = settings.EMAIL_PORT
    return port


@pytest.fixture
def server(over_smtp: int) -> Iterator[MailServer]:
    with mail_server(over_smtp) as running:
        yield running


@pytest.fixture
def certified(site: Site, over_smtp: int, monkeypatch: pytest.MonkeyPatch) -> OutboxItem:
    """The e-mail with a certificate to its operator, which is still to be sent."""
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.update(state="done", finished_at=timezone.now())
    operator = site.operator(email="fleet@strand.example")
    jobs.left_alone(site, vehicle=site.vehicle(operator=operator))
    for _ in range(20):
        with in_workshop(site.workshop.pk):
            due = OutboxItem.objects.filter(state="waiting", due_at__lte=timezone.now()).order_by("created_at", "id")
            mails, others = due.filter(kind="reports.certificate_email"), due.exclude(kind="reports.certificate_email")
            next_one, item = others.first(), mails.first()
        if next_one is None:
            assert item is not None
            return item
        assert outbox.perform(site.workshop.pk, next_one.pk)
    raise AssertionError("there is no end to it")


def again(site: Site, item: OutboxItem) -> OutboxItem:
    with in_workshop(site.workshop.pk):
        return OutboxItem.objects.get(pk=item.pk)


def days_pass(site: Site, item: OutboxItem, monkeypatch: pytest.MonkeyPatch, days: float) -> int:
    """Let simulated days pass; gives how often the item was tried."""
    until, tried = timezone.now() + timedelta(days=days), 0
    while (found := again(site, item)).state == "waiting" and found.due_at <= until:
        at = max(found.due_at, timezone.now())
        monkeypatch.setattr(timezone, "now", lambda at=at: at)
        outbox.perform(site.workshop.pk, item.pk)
        tried += 1
    monkeypatch.setattr(timezone, "now", lambda: until)
    return tried


def test_it_arrives_as_text_and_page_with_its_file_and_a_way_to_stop(
    site: Site, certified: OutboxItem, server: MailServer
) -> None:
    assert outbox.perform(site.workshop.pk, certified.pk)
    [message] = server.to("fleet@strand.example")
    text, page = message.get_body(("plain",)), message.get_body(("html",))
    assert text is not None
    assert page is not None
    [file] = list(message.iter_attachments())
    assert file.get_content_type() == "application/pdf"
    assert file.get_content().startswith(b"%PDF")
    assert message["Message-ID"].startswith("<")
    stop = message["List-Unsubscribe"].strip(" <>")
    assert "/notices/" in stop
    assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert stop in text.get_content()
    html = page.get_content()
    assert stop in html
    for remote in ("src=", "<img", "<link", "<style", "url(", "<script"):
        assert remote not in html


def test_a_server_that_is_down_for_two_days_gets_it_once_when_it_is_back(
    site: Site, certified: OutboxItem, over_smtp: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = days_pass(site, certified, monkeypatch, 2)
    waiting = again(site, certified)
    assert (waiting.state, waiting.attempts) == ("waiting", tried)
    assert tried > outbox.MOST_ATTEMPTS
    assert "refused" in waiting.error
    with mail_server(over_smtp) as server:
        days_pass(site, certified, monkeypatch, 1.5)
        days_pass(site, certified, monkeypatch, 30)
        assert len(server.to("fleet@strand.example")) == 1
    assert again(site, certified).state == "done"


def test_a_server_that_stays_down_has_it_parked_after_three_days_and_it_can_be_retried(
    site: Site, certified: OutboxItem, over_smtp: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    from reports.services.parked_work import parked_work_retry

    began = timezone.now()
    assert days_pass(site, certified, monkeypatch, 30) == 10
    parked = again(site, certified)
    assert parked.state == "parked"
    assert parked.finished_at is not None
    assert timedelta(days=3) < parked.finished_at - began < timedelta(days=4)
    with in_workshop(site.workshop.pk):
        parked_work_retry(actor=site.manager.actor(timezone.now()), item_id=parked.pk)
    with mail_server(over_smtp) as server:
        assert outbox.perform(site.workshop.pk, parked.pk)
        assert len(server.taken) == 1


@pytest.mark.parametrize(
    ("refusal", "tries"), [("450 try later", 10), ("550 no such person here", outbox.MOST_ATTEMPTS)]
)
def test_a_refusal_for_now_is_waited_out_and_one_for_good_is_parked_soon(
    site: Site,
    certified: OutboxItem,
    server: MailServer,
    monkeypatch: pytest.MonkeyPatch,
    refusal: str,
    tries: int,
) -> None:
    server.refusal = refusal
    assert days_pass(site, certified, monkeypatch, 30) == tries == server.refused
    parked = again(site, certified)
    assert parked.state == "parked"
    assert refusal[:3] in parked.error
    assert not server.taken

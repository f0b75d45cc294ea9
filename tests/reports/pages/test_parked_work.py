"""Parked work: what it is, what went wrong, and another try."""

from __future__ import annotations

import uuid

from django.test import Client

from fleet import outbox
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.pages.parked_work import KINDS
from tests.factories import Site

from .conftest import AtWork, parked_in


def state_of(site: Site, item: OutboxItem) -> tuple[str, int]:
    with in_workshop(site.workshop.pk):
        again = OutboxItem.objects.get(pk=item.pk)
        return again.state, again.attempts


def test_is_shown_in_words_with_its_error_and_what_it_is_about(manager: Client, at_work: AtWork) -> None:
    page = manager.get("/parked-work/").content.decode()
    for words in (
        "Send an e-mail about a certificate",
        "ConnectionRefusedError: no server there",
        f'href="/jobs/{at_work.done.job_id}/"',
        "tried 5 times",
    ):
        assert words in page, words


def test_shows_no_more_of_the_payload_than_what_it_is_about(manager: Client, site: Site) -> None:
    parked_in(site, payload={"job": str(new_id()), "code": "a-secret"})
    page = manager.get("/parked-work/").content.decode()
    assert "a-secret" not in page


def test_is_tried_again_and_a_second_press_changes_nothing(manager: Client, at_work: AtWork, site: Site) -> None:
    path = f"/parked-work/{at_work.parked.pk}/retry/"
    for _time in range(2):
        answer = manager.post(path)
        assert (answer.status_code, answer["Location"]) == (302, "/parked-work/")
        assert state_of(site, at_work.parked) == ("waiting", 0)
    assert "Nothing is parked." in manager.get("/parked-work/").content.decode()


def test_what_is_not_there_is_not_found(manager: Client) -> None:
    assert manager.post(f"/parked-work/{uuid.uuid4()}/retry/").status_code == 404


def test_is_not_tried_by_looking(manager: Client, at_work: AtWork, site: Site) -> None:
    assert manager.get(f"/parked-work/{at_work.parked.pk}/retry/").status_code == 405
    assert state_of(site, at_work.parked)[0] == "parked"


def test_every_kind_of_work_has_its_words(manager: Client, site: Site) -> None:
    assert set(outbox.handlers()) <= set(KINDS)
    parked_in(site, kind="reports.something_later")
    assert "Something later" in manager.get("/parked-work/").content.decode()

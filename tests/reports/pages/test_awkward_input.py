"""Whatever an address or a form says, the answer is a page that tells what is wrong."""

from __future__ import annotations

import pytest
from django.test import Client

from fleet.tenancy import in_workshop
from reports.models import Certificate
from tests.factories import Site
from tests.fleet.pages.forms import form_of

from .conftest import AtWork

NOBODY = "019b1d2e-0000-7000-8000-00000000000f"


@pytest.mark.parametrize(
    "path",
    [
        "/vehicles/%00/",
        "/vehicles/4711/",
        "/vehicles/%F0%9F%9A%9A/",
        f"/vehicles/{'A' * 3000}/",
        "/jobs/not-an-id/",
        f"/jobs/{NOBODY}/",
        "/certificates/0/",
        "/certificates/99999999999999999999999/",
        "/certificates/99999999999999999999999/pdf/",
        f"/approvals/{NOBODY}/",
        f"/findings/{NOBODY}/",
    ],
)
def test_an_address_of_nothing_is_not_found(manager: Client, at_work: AtWork, path: str) -> None:
    assert manager.get(path).status_code == 404


@pytest.mark.parametrize(
    "query",
    ["?q=%00", "?q=" + "x" * 500, "?operator=%00", "?model=1", "?work=sleep", "?sort=price", "?page=%00&q=%C3%28"],
)
def test_a_query_that_cannot_be_read_is_answered(manager: Client, at_work: AtWork, query: str) -> None:
    for path in ("/vehicles/", "/certificates/", "/"):
        assert manager.get(path + query).status_code in {200, 422}


def test_like_patterns_are_plain_text(manager: Client, at_work: AtWork) -> None:
    for text in ("%", "_", "\\"):
        assert "No vehicle fits." in manager.get("/vehicles/", {"q": text}).content.decode()


@pytest.mark.parametrize("sent", [{}, {"id": "1"}, {"id": "1", "reason": "x" * 5000}, {"id": "", "reason": "\x00"}])
def test_a_form_that_no_page_of_ours_made_comes_back(
    manager: Client, at_work: AtWork, site: Site, sent: dict[str, str]
) -> None:
    answer = manager.post("/certificates/1/", sent)
    assert answer.status_code == 422
    assert "data-error-summary" in answer.content.decode()
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.count() == 1


def test_a_form_that_was_sent_and_then_changed_is_asked_about(manager: Client, at_work: AtWork, site: Site) -> None:
    """As with the browser's way back."""
    sent = form_of(manager.get("/certificates/1/")).filled(reason="Mistyped.")
    manager.post("/certificates/1/", sent)
    answer = manager.post("/certificates/1/", {**sent, "reason": "Mistyped twice."})
    assert answer.status_code == 409
    assert "This form was sent before, with other content" in answer.content.decode()
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.count() == 2

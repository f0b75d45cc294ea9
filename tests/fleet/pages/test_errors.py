"""What is answered where no page can be: whole pages in our own looks, which say what to do."""

from __future__ import annotations

import pytest
from django.core.exceptions import PermissionDenied, SuspiciousOperation
from django.db import connection
from django.test import Client

from fleet.models import Operator
from fleet.pages import operators
from tests.factories import Site

from .forms import errors_in, form_of, send


def fails_with(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    def rows(_page: object) -> None:
        raise error

    monkeypatch.setattr(operators.OperatorsView, "rows", rows)


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (SuspiciousOperation("x"), 400, "Not understood"),
        (PermissionDenied("x"), 403, "Not allowed"),
        (RuntimeError("secret internals"), 500, "A fault of ours"),
    ],
)
def test_a_failure_is_a_page_that_says_what_to_do(
    manager: Client, monkeypatch: pytest.MonkeyPatch, error: Exception, status: int, said: str
) -> None:
    fails_with(error, monkeypatch)
    manager.raise_request_exception = False
    answer = manager.get("/operators/")
    page = answer.content.decode()
    assert (answer.status_code, f"<h1>{said}</h1>" in page, "secret" in page) == (status, True, False)
    assert 'href="/">To the first page</a>' in page


def test_an_address_of_nothing_keeps_the_index_for_who_has_signed_in(manager: Client) -> None:
    for browser, has_index in ((Client(), False), (manager, True)):
        answer = browser.get("/no/such/page/")
        assert answer.status_code == 404
        assert "<h1>Nothing here</h1>" in answer.content.decode()
        assert ('class="index"' in answer.content.decode()) is has_index


def test_a_value_that_the_database_does_not_take_is_refused_where_no_form_says_so(
    site: Site, manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def rows(_page: object) -> object:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 99999999999::integer")
        return Operator.objects.all()

    monkeypatch.setattr(operators.OperatorsView, "rows", rows)
    answer = manager.get("/operators/")
    assert answer.status_code == 422
    assert "does not fit where it is to be stored" in answer.content.decode()
    assert site.manager.membership.name not in answer.content.decode()


def test_a_value_that_the_database_does_not_take_comes_back_in_the_form(
    manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def add(**_given: object) -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 99999999999::integer")

    monkeypatch.setattr("fleet.services.operator_add", add)
    answer = send(manager, "/operators/new/", name="First", email="a@example.com")
    assert answer.status_code == 422
    assert "does not fit where it is to be stored" in errors_in(answer)[""]
    assert form_of(answer).values["name"] == ["First"]

"""Every refusal is RFC 9457 problem details; no input and no database fault is a page or a bare 500."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from django.core import exceptions as django_exceptions
from django.db import (
    DataError,
    IntegrityError,
    InterfaceError,
    OperationalError,
)
from django.db.models import ProtectedError, RestrictedError
from django.http import Http404
from django.http.request import RawPostDataException, UnreadablePostError
from django.test import Client
from django.utils.translation import gettext_lazy as _
from psycopg_pool import PoolTimeout
from rest_framework import exceptions as drf

from fleet import errors
from fleet.api.problem_types import PROBLEM_TYPES
from fleet.api.problems import Problem

if TYPE_CHECKING:
    pass

from .refusing_service import PROPER, Raising, RaisingMiddleware, check_schema, post, problem, raised

REFERENCE = json.loads((Path(__file__).parents[2] / "reference" / "problem_details.json").read_text())


def test_every_listed_type_has_the_members_of_the_rfc() -> None:
    """Members and their JSON types after RFC 9457 (tests/reference/problem_details.json)."""
    assert len({kind.slug for kind in PROBLEM_TYPES.values()}) == len(PROBLEM_TYPES)
    for status, kind in PROBLEM_TYPES.items():
        body = Problem(status).members()
        check_schema(body)
        assert (body["type"], body["status"]) == (kind.slug, status.value)
        for member in ("type", "title", "detail"):
            assert REFERENCE["members"][member]["json"].startswith("string")
            assert body[member]


def test_a_proper_body_passes_where_the_refusals_below_do_not(client: Client) -> None:
    response = post(client, PROPER)
    assert response.status_code == 201
    assert response.json()["readings"][0]["height_mm"] == 486.0


def test_validation_names_every_place_by_json_pointer(client: Client) -> None:
    body = {
        "taken_at": "2026-05-04T09:30:00",
        "setpoints": {"FL": 1.5, "a/b~c": 2, "FR": 1, "RL": 1},
        "readings": [{"corner": "FL", "height_mm": 486}, {"corner": "XX", "height_mm": 0}, 7, {}],
    }
    found = problem(post(client, body), 422, "invalid")["errors"]
    assert [(e["pointer"], e["code"]) for e in found] == [
        ("/taken_at", "offset_required"),
        ("/setpoints/a~1b~0c", "unknown_corner"),
        ("/setpoints/FL", "fraction"),
        ("/setpoints/RR", "corner_missing"),
        ("/readings/1/corner", "invalid_choice"),
        ("/readings/1/height_mm", "not_above"),
        ("/readings/2", "invalid"),
        ("/readings/3/corner", "required"),
        ("/readings/3/height_mm", "required"),
    ]
    assert all(e["detail"] for e in found)


def test_errors_of_list_items_given_by_index_point_to_the_item(client: Client) -> None:
    detail: Any = {"sizes": {2: ["too small"]}, "non_field_errors": ["both"]}
    found = problem(raised(client, drf.ValidationError(detail)), 422)["errors"]
    assert [(e["pointer"], e["detail"]) for e in found] == [("/sizes/2", "too small"), ("", "both")]


def test_what_is_wrong_with_a_query_names_the_parameter(client: Client) -> None:
    Raising.exception = drf.ValidationError({"since": [drf.ErrorDetail("no time", "not_a_time")]})
    (error,) = problem(client.get("/api/v1/raising/"), 422)["errors"]
    assert error == {"pointer": "", "parameter": "since", "code": "not_a_time", "detail": "no time"}


@pytest.mark.parametrize("accept", ["text/html", "application/xml", "image/*;q=0.5", ";;,", "a" * 9000, "\xff"])
def test_an_accept_that_fits_nothing_is_406_or_ignored(client: Client, accept: str) -> None:
    response = client.get("/api/v1/rounds/", headers={"Accept": accept})
    assert response.status_code in {200, 406}
    if response.status_code == 406:
        problem(response, 406, "not_acceptable")


def test_html_is_not_on_offer(client: Client) -> None:
    problem(client.get("/api/v1/rounds/", headers={"Accept": "text/html"}), 406, "not_acceptable")


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "TRACE", "BREW", "get"])
def test_another_method_is_405_listing_those_allowed(client: Client, method: str) -> None:
    response = client.generic(method, "/api/v1/rounds/")
    if method == "get":  # the framework takes a method in any case
        assert response.status_code in {200, 405}
        return
    problem(response, 405, "method_not_allowed")
    assert response["Allow"] == "GET, POST, HEAD, OPTIONS"


@pytest.mark.parametrize("headers", [{}, {"Authorization": "Bearer wrong"}])
def test_without_a_valid_token_it_is_401_saying_how(client: Client, headers: dict[str, str]) -> None:
    response = client.get("/api/v1/closed/", headers=headers)
    problem(response, 401, "not_authenticated")
    assert response["WWW-Authenticate"].startswith("Bearer")


def test_a_framework_throttle_is_429_with_the_time_to_wait(client: Client) -> None:
    response = raised(client, drf.Throttled(wait=12.3))
    problem(response, 429, "too_many_requests")
    assert response["Retry-After"] == "13"
    assert int(raised(client, drf.Throttled())["Retry-After"]) > 0


DOMAIN = [
    (errors.Conflict(_("Measure first."), next_step="measure"), 409, "conflict"),
    (errors.Conflict(code="record_changed", pointer="/content_sha256"), 409, "record_changed"),
    (errors.NotAuthenticated(), 401, "not_authenticated"),
    (errors.Forbidden(), 403, "forbidden"),
    (errors.NotFound(), 404, "not_found"),
    (errors.StaleVersion(), 412, "stale_version"),
    (errors.VersionRequired(), 428, "version_required"),
    (errors.TooMany(retry_after_s=0), 429, "too_many_requests"),
    (errors.Unavailable(), 503, "unavailable"),
    (errors.LevelbookError(code="made_up"), 409, "made_up"),
    (errors.Invalid.at("/vin", "vin_length", "short"), 422, "invalid"),
]


@pytest.mark.parametrize(("exception", "status", "slug"), DOMAIN, ids=lambda value: type(value).__name__)
def test_each_error_of_the_domain_has_its_status_and_slug(
    client: Client, exception: Exception, status: int, slug: str
) -> None:
    assert problem(raised(client, exception), status, slug)["detail"]


def test_a_conflict_names_the_next_step_and_the_place(client: Client) -> None:
    assert problem(raised(client, DOMAIN[0][0]), 409)["next_step"] == "measure"
    (error,) = problem(raised(client, DOMAIN[1][0]), 409)["errors"]
    assert (error["pointer"], error["code"]) == ("/content_sha256", "record_changed")


def test_temporary_refusals_say_when_to_come_back(client: Client) -> None:
    assert raised(client, errors.TooMany(retry_after_s=0))["Retry-After"] == "0"
    assert raised(client, errors.Unavailable())["Retry-After"] == "5"


def test_invalid_carries_all_its_errors_and_needs_one(client: Client) -> None:
    both = errors.Invalid([errors.FieldError("/a", "one", "first"), ("/b/0", "two", _("second"))])
    found = problem(raised(client, both), 422)["errors"]
    assert [(e["pointer"], e["code"], e["detail"]) for e in found] == [
        ("/a", "one", "first"),
        ("/b/0", "two", "second"),
    ]
    assert str(both) == "/a: first; /b/0: second"
    with pytest.raises(ValueError, match="at least one"):
        errors.Invalid([])


DJANGO = [
    (Http404("secret internals"), 404),
    (django_exceptions.PermissionDenied(), 403),
    (django_exceptions.SuspiciousOperation("secret internals"), 400),
    (django_exceptions.DisallowedHost("secret internals"), 400),
    (django_exceptions.TooManyFieldsSent(), 400),
    (django_exceptions.RequestDataTooBig(), 413),
    (UnreadablePostError("secret internals"), 400),
    (RawPostDataException("secret internals"), 400),
    (UnicodeEncodeError("utf-8", "\ud800", 0, 1, "secret internals"), 400),
    (ProtectedError("secret internals", set()), 409),
    (RestrictedError("secret internals", set()), 409),
    (DataError("secret internals"), 422),
    (OperationalError("secret internals"), 503),
    (InterfaceError("secret internals"), 503),
    (IntegrityError("secret internals"), 409),
]


@pytest.mark.parametrize(("exception", "status"), DJANGO, ids=lambda value: type(value).__name__)
def test_what_django_raises_is_answered_without_its_internals(
    client: Client, exception: Exception, status: int
) -> None:
    body = problem(raised(client, exception), status)
    assert "secret internals" not in json.dumps(body)


def test_what_django_validates_is_422_by_field(client: Client) -> None:
    by_field = django_exceptions.ValidationError({
        "vin": [django_exceptions.ValidationError("no %(what)s", code="vin", params={"what": "VIN"})],
        "__all__": ["both"],
    })  # fmt: skip
    found = problem(raised(client, by_field), 422)["errors"]
    assert [(e["pointer"], e["code"], e["detail"]) for e in found] == [
        ("/vin", "vin", "no VIN"),
        ("", "invalid", "both"),
    ]
    assert problem(raised(client, django_exceptions.ValidationError("one")), 422)["errors"][0]["detail"] == "one"


def test_a_pool_without_free_connections_is_503(client: Client) -> None:
    exception = OperationalError("x")
    exception.__cause__ = PoolTimeout("x")
    assert int(raised(client, exception)["Retry-After"]) > 0


def test_a_fault_of_ours_is_a_500_problem_that_tells_nothing(client: Client) -> None:
    for exception in (ZeroDivisionError("secret internals"), drf.APIException("secret internals")):
        assert "secret" not in json.dumps(problem(raised(client, exception), 500, "internal_error"))
    with pytest.raises(ZeroDivisionError):
        raised(Client(), ZeroDivisionError())


@pytest.mark.parametrize(
    ("exception", "status"),
    [(OperationalError("x"), 503), (IntegrityError("x"), 409), (DataError("x"), 422), (KeyError("x"), 500)],
    ids=lambda value: type(value).__name__,
)
def test_what_middleware_raises_is_answered_like_what_views_raise(
    client: Client, monkeypatch: pytest.MonkeyPatch, exception: Exception, status: int
) -> None:
    monkeypatch.setattr(RaisingMiddleware, "exception", exception)
    problem(client.get("/api/v1/rounds/"), status)


@pytest.mark.parametrize("status", [400, 403, 404, 405, 418, 500, 503])
def test_an_error_page_under_the_interface_becomes_a_problem_and_other_pages_stay(client: Client, status: int) -> None:
    problem(client.get(f"/api/v1/page/?status={status}"), status)
    assert client.get(f"/page/?status={status}").content == b"<p>a page</p>"
    assert client.get("/api/v1/page/?status=200").content == b"<p>a page</p>"


@pytest.mark.parametrize("debug", [False, True])
def test_unknown_addresses_hosts_and_faults_outside_the_framework_are_problems(
    client: Client,
    settings: Any,
    debug: bool,
) -> None:
    settings.DEBUG = debug
    problem(client.get("/api/v1/nothing/"), 404, "not_found")
    problem(client.get("/api/"), 404, "not_found")
    problem(client.get("/api/v1/rounds/", headers={"Host": "evil.example"}), 400, "malformed")
    problem(client.get("/api/v1/rounds/", headers={"Host": "a b\0"}), 400, "malformed")
    Raising.exception = ZeroDivisionError()
    problem(client.get("/api/v1/raising-page/"), 500, "internal_error")
    Raising.exception = django_exceptions.SuspiciousOperation()
    problem(client.get("/api/v1/raising-page/"), 400, "malformed")


def test_the_pages_outside_the_interface_keep_their_own_errors(client: Client) -> None:
    assert client.get("/nothing/")["Content-Type"].startswith("text/html")
    assert client.get("/page/?status=200", headers={"Host": "evil.example"})["Content-Type"].startswith("text/html")


def test_a_forgery_check_is_a_problem(settings: Any) -> None:
    client = Client(enforce_csrf_checks=True)
    problem(client.post("/api/v1/page/?status=200"), 403, "forbidden")
    settings.DEBUG = True
    problem(client.post("/api/v1/page/?status=200"), 403, "forbidden")


def test_a_write_without_the_final_slash_is_told_so_and_not_turned_into_a_read(client: Client, settings: Any) -> None:
    for debug in (False, True):
        settings.DEBUG = debug
        assert "slash" in problem(client.post("/api/v1/rounds"), 404)["detail"]
        problem(client.post("/api/v1/nothing"), 404)
    assert client.get("/api/v1/rounds").status_code == 301

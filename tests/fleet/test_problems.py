"""Every refusal is RFC 9457 problem details; no input and no database fault is a page or a bare 500."""

from __future__ import annotations

import io
import json
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import psycopg
import pytest
from django.core import exceptions as django_exceptions
from django.core.handlers.wsgi import WSGIHandler
from django.db import (
    DatabaseError,
    DataError,
    IntegrityError,
    InterfaceError,
    OperationalError,
    connection,
    models,
    transaction,
)
from django.db.models import ProtectedError, RestrictedError
from django.http import Http404, HttpRequest, HttpResponse
from django.http.request import RawPostDataException, UnreadablePostError
from django.test import Client
from django.test.utils import isolate_apps
from django.urls import path
from django.utils.translation import gettext_lazy as _
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]
from psycopg_pool import PoolTimeout
from rest_framework import exceptions as drf
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication
from rest_framework.parsers import MultiPartParser
from rest_framework.permissions import IsAuthenticated
from rest_framework.response import Response
from rest_framework.views import APIView

from fleet import errors
from fleet.api import fields
from fleet.api.parsers import StrictJSONParser
from fleet.api.problem_handlers import ReadableRequests
from fleet.api.problems import PROBLEM_TYPES, Problem, problem_for_exception
from fleet.api.schema import PROBLEM_ERROR_SCHEMA, PROBLEM_SCHEMA

if TYPE_CHECKING:
    from rest_framework.request import Request

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "problem_details.json").read_text())


class Reading(serializers.Serializer[Any]):
    corner = serializers.ChoiceField(choices=["FL", "FR", "RL", "RR"])
    height_mm = fields.HeightMm()


class RoundBody(serializers.Serializer[Any]):
    id = fields.ClientId(required=False)
    taken_at = fields.AwareDateTime()
    settled = fields.StrictBoolean(required=False)
    note = fields.TrimmedText(max_length=40, required=False)
    setpoints = fields.CornerMap(fields.SetPoint())
    readings = Reading(many=True)


class Open(APIView):
    authentication_classes: Any = ()
    permission_classes: Any = ()
    parser_classes: Any = (StrictJSONParser,)


class Rounds(Open):
    def get(self, request: Request, number: str = "") -> Response:
        return Response({"number": number, "path": request.path})

    def post(self, request: Request, number: str = "") -> Response:
        body = RoundBody(data=request.data)
        body.is_valid(raise_exception=True)
        return Response(body.data, status=201)


class Raising(Open):
    """Raises what the test put there."""

    exception: Exception

    def get(self, request: Request) -> Response:
        raise self.exception

    post = get


class Upload(Open):
    parser_classes = (MultiPartParser,)

    def post(self, request: Request) -> Response:
        return Response({"files": len(request.FILES)})


class Bearer(BaseAuthentication):
    def authenticate(self, request: Request) -> None:
        if request.headers.get("Authorization"):
            raise drf.AuthenticationFailed


class Closed(Open):
    authentication_classes = (Bearer,)
    permission_classes = (IsAuthenticated,)

    def get(self, request: Request) -> Response:
        return Response({})


def page(request: HttpRequest) -> HttpResponse:
    return HttpResponse("<p>a page</p>", status=int(request.GET["status"]))


def raising_page(request: HttpRequest) -> HttpResponse:
    raise Raising.exception


urlpatterns = [
    path("api/v1/rounds/", Rounds.as_view()),
    path("api/v1/rounds/<str:number>/", Rounds.as_view()),
    path("api/v1/raising/", Raising.as_view()),
    path("api/v1/upload/", Upload.as_view()),
    path("api/v1/closed/", Closed.as_view()),
    path("api/v1/page/", page),
    path("api/v1/raising-page/", raising_page),
    path("page/", page),
]
handler400 = "fleet.api.problem_handlers.bad_request"
handler403 = "fleet.api.problem_handlers.permission_denied"
handler404 = "fleet.api.problem_handlers.not_found"
handler500 = "fleet.api.problem_handlers.server_error"

PROPER = {
    "taken_at": "2026-05-04T09:30:00Z",
    "setpoints": {"FL": 120, "FR": 121, "RL": 130, "RR": 131},
    "readings": [{"corner": "FL", "height_mm": 486}],
}


class RaisingMiddleware:
    """Stands where the workshop's transaction is opened and committed."""

    exception: Exception | None = None

    def __init__(self, get_response: Any) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> Any:
        response = self.get_response(request)
        if self.exception:
            raise self.exception
        return response


@pytest.fixture(autouse=True)
def service(settings: Any, db: None) -> None:
    settings.ROOT_URLCONF = __name__
    settings.ALLOWED_HOSTS = ["testserver"]
    settings.MIDDLEWARE = [
        "fleet.api.problem_handlers.ApiProblemMiddleware",
        "django.middleware.common.CommonMiddleware",
        "django.middleware.csrf.CsrfViewMiddleware",
        f"{__name__}.RaisingMiddleware",
    ]


@pytest.fixture
def client() -> Client:
    return Client(raise_request_exception=False)


def problem(response: Any, status: int, slug: str | None = None) -> dict[str, Any]:
    """The problem, after checking what holds for every one of them."""
    assert (response.status_code, response["Content-Type"]) == (status, "application/problem+json")
    body = json.loads(response.content)
    check_schema(body)
    assert body["status"] == status
    assert slug is None or body["type"] == slug
    return dict(body)


def check_schema(body: Any) -> None:
    document = {**PROBLEM_SCHEMA, "components": {"schemas": {"ProblemError": PROBLEM_ERROR_SCHEMA}}}
    Draft202012Validator(document).validate(body)


def post(client: Client, body: Any, **headers: Any) -> Any:
    data = body if isinstance(body, bytes | str) else json.dumps(body)
    return client.post("/api/v1/rounds/", data, content_type="application/json", **headers)


def raised(client: Client, exception: Exception) -> Any:
    Raising.exception = exception
    return client.post("/api/v1/raising/", "{}", content_type="application/json")


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


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        (b"{", "", "not_json"),
        (b"[]", "", "not_an_object"),
        (b'{"note": "\xff"}', "", "not_utf8"),
        (b'{"readings": [{"height_mm": NaN}]}', "/readings/0/height_mm", "not_a_number"),
        (b'{"note": "\\u0000"}', "/note", "nul_character"),
        (b'{"note": "\\ud800"}', "/note", "lone_surrogate"),
        (b"[" * 100_000, "", None),
    ],
)
def test_a_body_that_cannot_be_read_is_400_saying_where(client: Client, body: bytes, pointer: str, code: Any) -> None:
    (error,) = problem(post(client, body), 400, "malformed")["errors"]
    assert error["pointer"] == pointer
    assert code in (None, error["code"])


def test_a_body_beyond_the_limit_is_413(client: Client, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 200
    problem(post(client, {**PROPER, "note": "x" * 200}), 413, "too_large")


def test_too_many_or_broken_form_parts_are_4xx(client: Client, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_NUMBER_FILES = 1
    files = {name: io.BytesIO(b"x") for name in ("a", "b")}
    problem(client.post("/api/v1/upload/", files), 400, "malformed")
    for content_type in (
        "multipart/form-data",
        "multipart/form-data; boundary=",
        "multipart/form-data; boundary=é",
    ):
        problem(client.post("/api/v1/upload/", b"--x\r\nbroken", content_type=content_type), 400)


@pytest.mark.parametrize(
    "media_type", ["text/plain", "application/xml", "application/json5", "x", ";;;", "a/" + "b" * 400]
)
def test_a_body_in_another_media_type_is_415(client: Client, media_type: str) -> None:
    response = client.post("/api/v1/rounds/", "{}", content_type=media_type)
    problem(response, 415, "unsupported_media_type")


CHARSETS = ["latin-1", "utf-16", "bz2_codec", "hex", "undefined", "idna", "nonsense", "utf-7", "\0", ""]


@pytest.mark.parametrize("charset", CHARSETS)
@pytest.mark.parametrize("query", ["", "a=%C3%A9"])
def test_a_charset_other_than_utf_8_is_415_before_anything_is_decoded_with_it(charset: str, query: str) -> None:
    response = over_wsgi(CONTENT_TYPE=f"application/json; charset={charset}", QUERY_STRING=query)
    problem(response, 415, "unsupported_media_type")


@pytest.mark.parametrize("charset", ["hex", "\0", "undefined"])
def test_without_the_guard_such_a_charset_would_be_a_fault(charset: str) -> None:
    """The negative control of the test above."""
    with pytest.raises((LookupError, ValueError)):
        over_wsgi(WSGIHandler(), CONTENT_TYPE=f"application/json; charset={charset}", QUERY_STRING="a=%C3%A9")


@pytest.mark.parametrize("content_type", ["a/b; x*=hex''%41", "a/b; x*=nonsense''%41", "a/b; " + "x" * 20_000])
def test_a_content_type_that_cannot_be_read_is_4xx(content_type: str) -> None:
    response = over_wsgi(CONTENT_TYPE=content_type, QUERY_STRING="a=1")
    problem(response, response.status_code)
    assert response.status_code in {400, 415}


@pytest.mark.parametrize("charset", ["utf-8", "UTF-8", '"utf-8"', "utf8"])
def test_utf_8_may_be_named(charset: str) -> None:
    response = over_wsgi(CONTENT_TYPE=f"application/json; charset={charset}", body=json.dumps(PROPER).encode())
    assert response.status_code == 201


def test_a_body_in_chunks_is_refused_instead_of_taken_for_an_empty_one() -> None:
    response = over_wsgi(HTTP_TRANSFER_ENCODING="chunked", body=json.dumps(PROPER).encode())
    problem(response, 411, "length_required")
    assert b"Content-Length" in response.content


def test_outside_the_interface_an_unreadable_request_is_refused_in_plain_text() -> None:
    response = over_wsgi(PATH_INFO="/page/\0", REQUEST_METHOD="GET")
    assert (response.status_code, response["Content-Type"]) == (400, "text/plain; charset=utf-8")
    assert b"NUL" in response.content


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


@pytest.mark.parametrize("tail", ["\0", "a\0b", "\xff", "\xc0\x80", "\xed\xa0\x80", "\xe2(", "\u20ac"])
def test_an_address_that_is_no_text_is_400(tail: str) -> None:
    problem(over_wsgi(PATH_INFO=f"/api/v1/rounds/{tail}/", REQUEST_METHOD="GET"), 400, "malformed")


@pytest.mark.parametrize(
    "query", ["a=%00", "%00=a", "a=\0", "a=%FF", "%ED%A0%80=1", "a=1&b=\xff", "a=%C0%80", "\u20ac"]
)
def test_a_query_that_is_no_text_is_400(query: str) -> None:
    problem(over_wsgi(QUERY_STRING=query, REQUEST_METHOD="GET"), 400, "malformed")


def test_more_query_fields_than_the_limit_are_400(settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_NUMBER_FIELDS = 5
    assert over_wsgi(QUERY_STRING="a=1&" * 4, REQUEST_METHOD="GET").status_code == 200
    for content_type in ("", "application/json; charset=utf-8"):
        response = over_wsgi(QUERY_STRING="a=1&" * 6, REQUEST_METHOD="GET", CONTENT_TYPE=content_type)
        problem(response, 400, "malformed")


@pytest.mark.parametrize("tail", ["é/", "%C3%A9/?note=%F0%9F%98%82", "a%2Fb/", "%25/", "..%2f/", "%0A/", "%7F/"])
def test_unusual_but_proper_text_passes(client: Client, tail: str) -> None:
    assert client.get(f"/api/v1/rounds/{tail}").status_code in {200, 404}


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text()
    | st.sampled_from(["\0", "\ud800", "FL", "486"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)
bodies = st.fixed_dictionaries({}, optional=dict.fromkeys(RoundBody().fields, json_values)) | json_values


@given(bodies)
@hypothesis_settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_json_body_is_answered_otherwise_than_by_201_or_a_problem(client: Client, body: Any) -> None:
    response = post(client, json.dumps(body))
    if response.status_code != 201:
        assert response.status_code in {400, 422}
        problem(response, response.status_code)


raw_text = st.text(st.characters(min_codepoint=0, max_codepoint=255), max_size=30)


@given(
    path_info=raw_text,
    query=raw_text,
    accept=raw_text,
    content_type=raw_text,
    host=raw_text,
    body=st.binary(max_size=30),
    method=st.sampled_from(["GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS", "TRACE", "X"]),
)
@hypothesis_settings(deadline=None)
def test_no_raw_request_under_the_interface_is_a_page_or_a_fault(
    path_info: str, query: str, accept: str, content_type: str, host: str, body: bytes, method: str
) -> None:
    response = over_wsgi(
        REQUEST_METHOD=method,
        PATH_INFO=f"/api/v1/rounds/{path_info}",
        QUERY_STRING=query,
        HTTP_ACCEPT=accept,
        CONTENT_TYPE=content_type,
        HTTP_HOST=host or "testserver",
        body=body,
    )
    assert response.status_code < 500
    assert response.status_code < 400 or response["Content-Type"] == "application/problem+json"


def over_wsgi(application: Any = None, *, body: bytes = b"{}", **environ: Any) -> HttpResponse:
    """What a web server would get, without the test client's own reading of the request."""
    answered: list[Any] = []
    base = {
        "REQUEST_METHOD": "POST",
        "PATH_INFO": "/api/v1/rounds/",
        "CONTENT_TYPE": "application/json",
        "SERVER_NAME": "testserver",
        "SERVER_PORT": "80",
        "wsgi.url_scheme": "http",
        "wsgi.errors": io.StringIO(),
        "CONTENT_LENGTH": str(len(body)),
        "wsgi.input": io.BytesIO(body),
    }
    run: Any = application or ReadableRequests(WSGIHandler())
    content = b"".join(run({**base, **environ}, lambda status, headers, *_: answered.extend((status, headers))))
    return HttpResponse(content, status=int(answered[0].split()[0]), headers=dict(answered[1]))


# --- What the real database refuses -------------------------------------------------------------------

with isolate_apps("tests"):

    class Bench(models.Model):
        name = models.TextField()

        class Meta:
            app_label = "tests"
            constraints = (
                models.UniqueConstraint(fields=["name"], name="bench_name"),
                models.CheckConstraint(
                    condition=models.Q(name__gt=""),
                    name="bench_named",
                    violation_error_message="A bench needs a name.",
                ),
            )


@pytest.fixture
def refused_by_database(db: None) -> Any:
    """Runs a statement that the database refuses and gives Django's exception."""

    def run(statement: str, parameters: list[Any] | None = None) -> Exception:
        with (
            pytest.raises((DatabaseError, UnicodeError)) as caught,
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement, parameters)
        return caught.value

    return run


@pytest.fixture
def known_model(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.api.problems.apps.get_models", lambda: [Bench])


def violation(kind: type[psycopg.Error], name: str | None) -> IntegrityError:
    """As psycopg reports it, but without a server that would fill in the diagnostics."""

    class Violation(kind):  # type: ignore[valid-type, misc]
        diag = SimpleNamespace(constraint_name=name)

    exception = IntegrityError("refused")
    exception.__cause__ = Violation("refused")
    return exception


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(errors, "_constraint_messages", {})
    errors.register_constraint_messages(
        {
            "one_open_job": _("This vehicle has an open job."),
            "bench_same_workshop": "There is no such bench here.",
        }
    )


CASES = [
    (psycopg.errors.UniqueViolation, "one_open_job", 409, "This vehicle has an open job."),
    (psycopg.errors.ForeignKeyViolation, "bench_same_workshop", 409, "There is no such bench here."),
    (psycopg.errors.ExclusionViolation, "one_open_job", 409, "This vehicle has an open job."),
    (psycopg.errors.CheckViolation, "bench_named", 422, "A bench needs a name."),
    (
        psycopg.errors.UniqueViolation,
        "bench_name",
        409,
        "This contradicts other records. Nothing was stored.",
    ),
    (
        psycopg.errors.CheckViolation,
        "never_heard_of",
        409,
        "This contradicts other records. Nothing was stored.",
    ),
    (psycopg.errors.NotNullViolation, None, 409, "This contradicts other records. Nothing was stored."),
]


@pytest.mark.parametrize(("kind", "name", "status", "detail"), CASES)
def test_a_broken_constraint_is_told_in_its_human_message(
    client: Client, registry: None, known_model: None, kind: Any, name: str | None, status: int, detail: str
) -> None:
    body = problem(raised(client, violation(kind, name)), status)
    assert body["detail"] == detail


def test_the_database_names_its_constraint_where_we_look_for_it(refused_by_database: Any, registry: None) -> None:
    statement = "DO $$ BEGIN RAISE unique_violation USING CONSTRAINT = 'one_open_job'; END $$"
    found = problem_for_exception(refused_by_database(statement))
    assert found is not None
    assert (found.status, str(found.detail)) == (409, "This vehicle has an open job.")


@pytest.mark.parametrize(
    ("statement", "parameters", "status"),
    [
        ("SELECT %s::text", ["a\0b"], 422),
        ("SELECT %s::text", ["\ud800"], 400),
        ("SELECT %s::integer", [2**40], 422),
        ("SELECT 1 / %s", [0], 422),
        ("SELECT %s::numeric(8, 3)", [10**9], 422),
        ("SELECT %s::uuid", ["no uuid"], 422),
        ("SELECT %s::timestamptz", ["99999999-01-01"], 422),
        ("SET LOCAL statement_timeout = 1; SELECT pg_sleep(1)", None, 503),
    ],
)
def test_what_the_database_cannot_take_has_a_clear_status(
    refused_by_database: Any, statement: str, parameters: list[Any] | None, status: int
) -> None:
    found = problem_for_exception(refused_by_database(statement, parameters))
    assert found is not None
    assert found.status == status


def test_a_programming_error_in_sql_is_ours_and_not_the_clients(refused_by_database: Any) -> None:
    assert problem_for_exception(refused_by_database("SELECT nothing FROM nowhere")) is None

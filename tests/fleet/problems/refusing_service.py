"""A small service whose views refuse in every way, and what holds for each of its answers."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Any

from django.core.handlers.wsgi import WSGIHandler
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import path
from jsonschema import Draft202012Validator
from rest_framework import exceptions as drf
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication
from rest_framework.parsers import MultiPartParser
from rest_framework.permissions import IsAuthenticated
from rest_framework.response import Response
from rest_framework.views import APIView

from fleet.api import fields
from fleet.api.parsers import StrictJSONParser
from fleet.api.problem_handlers import ReadableRequests
from fleet.api.schema import PROBLEM_ERROR_SCHEMA, PROBLEM_SCHEMA

if TYPE_CHECKING:
    from rest_framework.request import Request


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

"""Saved records, carried out by the interface's own calls in the name of whoever noted them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from io import BytesIO
from typing import Any, Final, Literal
from uuid import UUID

from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.handlers.wsgi import WSGIRequest
from django.db import transaction
from django.http import HttpRequest
from django.urls import resolve
from django.utils import timezone
from django.utils.datastructures import MultiValueDict
from django.utils.translation import gettext as _
from rest_framework.authentication import BaseAuthentication
from rest_framework.parsers import BaseParser, DataAndFiles
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.actor import Actor
from fleet.api.parsers import StrictJSONParser
from fleet.callers import actor_for
from fleet.errors import Unavailable
from fleet.models import Membership, Receipt

from .opening import SavedRecord

Outcome = Literal["recorded", "known", "refused", "to_sign"]
SERVER_FAULT: Final = 500
_ID: Final = r"[0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{12}"
CALLS: Final = tuple(
    re.compile(f"/api/v1/{each}/")
    for each in (
        "jobs",
        rf"jobs/{_ID}/(readiness|rounds|leak-tests|proposals|writes|pause|resumption|end|reversion|concession)",
        rf"rounds/{_ID}/(readings|photos)",
        rf"writes/{_ID}/photos",
        rf"readings/{_ID}/strike",
        r"vehicles/[0-9A-Z]{1,40}/(events|checks|fitments)",
    )
)
"""What a tablet records. A file proves nobody's PIN: nothing is signed, approved, ruled on or set up by one."""
MULTIPART: Final = "multipart/form-data"
PASSED_ON: Final[tuple[str, ...]] = ("HTTP_HOST", "SERVER_NAME", "SERVER_PORT", "wsgi.url_scheme", "REMOTE_ADDR")


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one record."""

    id: str
    kind: str
    person: str
    noted_at_ms: int
    outcome: Outcome
    problem: str = ""
    detail: str = ""


def carry_out(records: tuple[SavedRecord, ...], around: HttpRequest) -> list[dict[str, Any]]:
    """Each record in its order, each wholly or not at all; gives what came of each as JSON.

    `around` is the request of whoever hands the file in.
    """
    people = {each.pk: each for each in Membership.objects.select_related("workshop").filter(is_active=True)}
    return [asdict(_result(record, people, around)) for record in records]


def takes(path: str) -> bool:
    """Whether this is an address to which a tablet records."""
    return any(call.fullmatch(path) for call in CALLS)


def kind_of(path: str) -> str:
    """The last part of the address that says what is recorded."""
    return path.strip("/").rpartition("/")[2]


def _result(record: SavedRecord, people: Mapping[UUID, Membership], around: HttpRequest) -> Result:
    person = people.get(record.person_id)
    about = (str(record.id), kind_of(record.path), str(record.person_id or ""), record.noted_at_ms)
    if record.state in {"to_sign", "dropped"}:
        return Result(*about, "to_sign", "pin_required", _("Signing needs the person's PIN: sign the job off again."))
    if not takes(record.path):
        return Result(*about, "refused", "not_from_a_file", _("This is nothing that is recorded from a file."))
    if person is None:
        return Result(*about, "refused", "person_unknown", _("Whoever noted it does not belong to the workshop now."))
    was_known = Receipt.objects.filter(pk=record.id).exists()
    problem = _sent(record, actor_for(person, timezone.now()), around)
    if problem is not None:
        return Result(*about, "refused", str(problem.get("type", "")), _words(problem))
    return Result(*about, "known" if was_known else "recorded")


def _words(problem: Mapping[str, Any]) -> str:
    errors = [f"{each['pointer']}: {each['detail']}" for each in problem.get("errors", ())]
    return " ".join([str(problem.get("detail", "")), *errors])


def _sent(record: SavedRecord, actor: Actor, around: HttpRequest) -> Mapping[str, Any] | None:
    """The problem with which the interface refuses the record; None where it stands. A refusal leaves nothing."""
    with transaction.atomic():
        response = _answer(_request(record, actor, around), record.path)
        if response.status_code >= SERVER_FAULT:
            raise Unavailable
        if response.status_code >= 400:
            transaction.set_rollback(True)
            return dict(response.data)
    return None


def _answer(request: HttpRequest, path: str) -> Response:
    """What the call answers that this address has, for an actor who is known already."""
    match = resolve(path)
    view: Any = match.func
    serve = view.cls.as_view(
        view.actions,
        **{
            **view.initkwargs,
            "authentication_classes": (_InTheNameOf,),
            "throttle_classes": (),
            "parser_classes": (StrictJSONParser, _PictureParser),
        },
    )
    response: Response = serve(request, *match.args, **match.kwargs)
    return response


def _request(record: SavedRecord, actor: Actor, around: HttpRequest) -> HttpRequest:
    body = json.dumps(dict(record.fields)).encode()
    environ: dict[str, Any] = {name: around.META[name] for name in PASSED_ON if name in around.META}
    request = WSGIRequest(
        {
            **environ,
            "wsgi.input": BytesIO(body),
            "REQUEST_METHOD": "POST",
            "PATH_INFO": record.path,
            "CONTENT_TYPE": MULTIPART if record.picture else StrictJSONParser.media_type,
            "CONTENT_LENGTH": str(len(body)),
        }
    )
    request.actor = actor  # type: ignore[attr-defined]
    request.picture = record.picture  # type: ignore[attr-defined]
    return request


class _InTheNameOf(BaseAuthentication):
    """The actor that the request carries."""

    def authenticate(self, request: Request) -> tuple[Actor, None]:
        actor: Actor = request._request.actor  # type: ignore[attr-defined]
        return actor, None


class _PictureParser(BaseParser):
    """A picture that is at hand, with the fields of its form as JSON."""

    media_type = MULTIPART

    def parse(
        self, stream: Any, media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> DataAndFiles[Any, Any]:
        picture = (parser_context or {})["request"]._request.picture
        fields = StrictJSONParser().parse(stream)
        upload = SimpleUploadedFile(picture.name or "picture", picture.content, picture.media_type)
        typed = MultiValueDict({name: [str(value)] for name, value in fields.items()})
        return DataAndFiles(typed, MultiValueDict({"file": [upload]}))

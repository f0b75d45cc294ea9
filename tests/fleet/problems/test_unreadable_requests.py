"""Requests that cannot be read are refused as problems, however they are broken."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Any

import pytest
from django.core.handlers.wsgi import WSGIHandler
from django.test import Client
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

if TYPE_CHECKING:
    pass

from .refusing_service import PROPER, RoundBody, over_wsgi, post, problem


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
@hypothesis_settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
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

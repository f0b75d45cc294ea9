"""Optimistic locking over HTTP: If-Match as RFC 9110, 13.1.1 has it, with versions as entity tags."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework.exceptions import ParseError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory

from fleet.api.etags import ETagMixin, etag_of, expected_versions
from fleet.errors import StaleVersion, VersionRequired


def request_with(header: str | None) -> Request:
    headers = {} if header is None else {"HTTP_IF_MATCH": header}
    return Request(APIRequestFactory().patch("/", **headers))


@pytest.mark.parametrize(
    ("header", "versions"),
    [
        ('"3"', {3}),
        (' "3" ', {3}),
        ('"3", "4"', {3, 4}),
        ('"3",W/"5","abc"', {3}),
        ('W/"5", "6"', {6}),
        ('"007"', {7}),
    ],
)
def test_the_versions_named_are_the_strong_tags_that_are_numbers(header: str, versions: set[int]) -> None:
    assert expected_versions(request_with(header)) == versions


@pytest.mark.parametrize("header", [None, "", "  ", "*", " * "])
def test_a_change_without_a_version_is_428(header: str | None) -> None:
    with pytest.raises(VersionRequired):
        expected_versions(request_with(header))


@pytest.mark.parametrize("header", ['W/"3"', 'W/"3", W/"4"', '"abc"', '""', '"-3"', '"3.0"', '"' + "9" * 30 + '"'])
def test_a_well_formed_tag_that_is_never_ours_is_stale(header: str) -> None:
    with pytest.raises(StaleVersion):
        expected_versions(request_with(header))


@pytest.mark.parametrize(
    "header",
    [
        "3",
        "'3'",
        '"\u0663"',
        '"3',
        '3"',
        '"3" "4"',
        '"3",,"4"',
        "w/3",
        '"3"\0',
        '"3"; x',
        "*, *",
        '"1",' * 400 + '"1"',
    ],
)
def test_a_header_that_is_no_list_of_tags_is_malformed(header: str) -> None:
    with pytest.raises(ParseError, match="quotation marks"):
        expected_versions(request_with(header))


def test_a_weak_tag_is_told_to_be_the_reason() -> None:
    with pytest.raises(StaleVersion, match="weak"):
        expected_versions(request_with('W/"3"'))


def test_the_version_is_compared_with_the_current_one() -> None:
    StaleVersion.raise_unless(current=4, expected=frozenset({3, 4}))
    with pytest.raises(StaleVersion):
        StaleVersion.raise_unless(current=5, expected=frozenset({3, 4}))


@pytest.mark.parametrize(
    ("body", "status", "etag"),
    [
        ({"id": "x", "version": 3}, 200, '"3"'),
        ({"version": 1}, 201, '"1"'),
        ({"version": 3}, 409, None),
        ({"version": True}, 200, None),
        ({"version": "3"}, 200, None),
        ({"id": "x"}, 200, None),
        ([{"version": 3}], 200, None),
        (None, 204, None),
    ],
)
def test_answers_that_show_a_version_carry_it_as_etag(body: Any, status: int, etag: str | None) -> None:
    class View(ETagMixin):
        authentication_classes = ()
        permission_classes = ()

        def get(self, request: Request) -> Response:
            return Response(body, status=status)

    response = View.as_view()(APIRequestFactory().get("/"))
    assert response.headers.get("ETag") == etag


def test_what_is_given_as_etag_comes_back_as_the_version() -> None:
    assert expected_versions(request_with(etag_of(12))) == {12}

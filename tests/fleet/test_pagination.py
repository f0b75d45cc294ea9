"""Pages neither skip nor repeat, and every query parameter is read or refused clearly."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, urlsplit

import psycopg
import pytest
from django.core import signing
from django.core.exceptions import ImproperlyConfigured
from django.db import connection, models
from django.test.utils import CaptureQueriesContext, isolate_apps
from psycopg import sql
from rest_framework import generics, serializers
from rest_framework.test import APIRequestFactory

from deploy import database
from deploy.embedded.folder import data_folder
from fleet.api.pagination import CursorPagination
from fleet.ids import new_id

if TYPE_CHECKING:
    from collections.abc import Iterator

START = datetime(2026, 1, 1, tzinfo=UTC)

with isolate_apps("tests"):

    class Row(models.Model):
        id = models.UUIDField(primary_key=True, default=new_id)
        made_at = models.DateTimeField()
        name = models.TextField()
        weight = models.DecimalField(max_digits=8, decimal_places=3)
        note = models.TextField(null=True)

        class Meta:
            app_label = "tests"
            db_table = "test_pagination_row"


class RowSerializer(serializers.ModelSerializer[Row]):
    class Meta:
        model = Row
        fields = ("id", "name")


class RowList(generics.ListAPIView[Row]):
    queryset = Row._default_manager.all()
    serializer_class = RowSerializer
    pagination_class = CursorPagination
    filter_backends = ()
    authentication_classes = ()
    permission_classes = ()
    ordering_fields: tuple[str, ...] = ("made_at", "name", "weight")
    ordering = "-made_at"


@pytest.fixture(scope="module")
def owned_table(django_db_setup: None) -> Iterator[None]:
    """The owner makes the table; the application role, as which the tests run, may not."""
    parameters = database.connection_parameters("owner", data_folder())
    parameters["dbname"] = connection.settings_dict["NAME"]
    with psycopg.connect(**parameters, autocommit=True) as owner:
        owner.execute(
            "CREATE TABLE test_pagination_row (id uuid PRIMARY KEY, made_at timestamptz NOT NULL,"
            " name text NOT NULL, weight numeric(8, 3) NOT NULL, note text)"
        )
        role = sql.Identifier(connection.settings_dict["USER"])
        owner.execute(sql.SQL("GRANT ALL ON test_pagination_row TO {}").format(role))
    yield
    with psycopg.connect(**parameters, autocommit=True) as owner:
        owner.execute("DROP TABLE test_pagination_row")


@pytest.fixture
def table(owned_table: None, db: None) -> None:
    """An empty table of rows."""


def make_rows(count: int, *, distinct: int) -> None:
    Row._default_manager.bulk_create(
        Row(
            made_at=START + timedelta(microseconds=n % distinct),
            name=f"ro/w & é {n % distinct:04}",
            weight=n % distinct / 8,
        )
        for n in range(count)
    )


def get(query: str = "", view: type[RowList] = RowList) -> Any:
    return view.as_view()(APIRequestFactory().get(f"/api/v1/rows/{query}"))


def query_of(link: str) -> str:
    return f"?{urlsplit(link).query}"


def walk(query: str, direction: str = "next") -> list[list[str]]:
    pages = []
    answer = get(query).data
    while True:
        pages.append([row["id"] for row in answer["results"]])
        if answer[direction] is None:
            return pages
        answer = get(query_of(answer[direction])).data


def last_page(query: str) -> str:
    """The query of the last page, found by walking."""
    answer = get(query).data
    while answer["next"] is not None:
        query = query_of(answer["next"])
        answer = get(query).data
    return query


def expected_ids(ordering: str) -> list[str]:
    sign = "-" if ordering.startswith("-") else ""
    return [str(pk) for pk in Row._default_manager.order_by(ordering, f"{sign}pk").values_list("pk", flat=True)]


ORDERINGS = ("made_at", "-made_at", "name", "-name", "weight", "-weight")


@pytest.mark.parametrize("ordering", ORDERINGS)
@pytest.mark.parametrize("distinct", [1, 3, 23])
def test_walking_forwards_meets_every_row_once_in_order(table: None, ordering: str, distinct: int) -> None:
    make_rows(23, distinct=distinct)
    pages = walk(f"?ordering={ordering}&page_size=5")
    assert [len(page) for page in pages] == [5, 5, 5, 5, 3]
    assert list(chain.from_iterable(pages)) == expected_ids(ordering)


@pytest.mark.parametrize("ordering", ORDERINGS)
@pytest.mark.parametrize("distinct", [1, 3, 23])
def test_walking_backwards_meets_the_same_rows(table: None, ordering: str, distinct: int) -> None:
    make_rows(23, distinct=distinct)
    end = last_page(f"?ordering={ordering}&page_size=5")
    pages = walk(end, "previous")
    assert list(chain.from_iterable(reversed(pages))) == expected_ids(ordering)


def test_more_equal_values_than_the_frameworks_cursor_can_count_are_walked(table: None) -> None:
    make_rows(1300, distinct=1)
    pages = walk("?page_size=200")
    assert list(chain.from_iterable(pages)) == expected_ids("-made_at")


def test_rows_added_and_removed_while_walking_neither_repeat_nor_hide_others(table: None) -> None:
    make_rows(12, distinct=12)
    before = expected_ids("made_at")
    first = get("?ordering=made_at&page_size=5").data
    Row._default_manager.filter(pk__in=before[3:5]).delete()
    Row._default_manager.create(made_at=START - timedelta(days=1), name="early", weight=0)
    second = get(query_of(first["next"])).data
    assert [row["id"] for row in second["results"]] == before[5:10]
    back = get(query_of(second["previous"])).data
    assert before[0] in [row["id"] for row in back["results"]]


def test_the_first_page_has_no_previous_and_the_last_no_next(table: None) -> None:
    make_rows(10, distinct=10)
    first = get("?page_size=5").data
    second = get(query_of(first["next"])).data
    assert (first["previous"], second["next"]) == (None, None)
    assert get(query_of(second["previous"])).data["results"] == first["results"]
    assert get(query_of(second["previous"])).data["previous"] is None


def test_an_empty_list_is_one_empty_page(table: None) -> None:
    assert get().data == {"next": None, "previous": None, "results": []}


def test_links_are_absolute_and_keep_the_other_parameters(table: None) -> None:
    make_rows(3, distinct=3)
    link = get("?page_size=2&state=open").data["next"]
    assert link.startswith("http://testserver/api/v1/rows/?")
    assert parse_qs(urlsplit(link).query)["state"] == ["open"]


def test_a_page_costs_one_query_however_many_rows_there_are(table: None) -> None:
    make_rows(500, distinct=2)
    query = query_of(get("?page_size=200").data["next"])
    with CaptureQueriesContext(connection) as queries:
        get(query)
    assert len(queries) == 1
    assert "OFFSET" not in queries[0]["sql"].upper()


@pytest.mark.parametrize(
    ("query", "rows"),
    [("", 50), ("?page_size=7", 7), ("?page_size=007", 7), ("?page_size=200", 200), ("?page_size=201", 200),
     ("?page_size=" + 30 * "9", 200)],
)  # fmt: skip
def test_the_page_size_is_50_unless_asked_and_200_at_most(table: None, query: str, rows: int) -> None:
    make_rows(203, distinct=9)
    assert len(get(query).data["results"]) == rows


BROKEN_NUMBERS = [
    "",
    "0",
    "-1",
    "1.5",
    "1e2",
    "abc",
    "%00",
    "%D9%A3",
    "+5",
    "%205",
    "5%0A",
    "9" * 5000,
    "²",
    "null",
]


@pytest.mark.parametrize(
    ("query", "parameter", "code"),
    [
        *[(f"?page_size={text}", "page_size", "invalid_page_size") for text in BROKEN_NUMBERS],
        *[(f"?ordering={text}", "ordering", "invalid_ordering")
          for text in ("", "-", "--name", "note", "pk", "name,made_at", "name__gt", "%00", "?", "id")],
        *[(f"?cursor={text}", "cursor", "bad_cursor")
          for text in ("", "x", "%00", "cD0yMDI2", "a:b:c", ":::", "é", "A" * 9000)],
    ],
)  # fmt: skip
def test_a_broken_parameter_is_422_naming_it(table: None, query: str, parameter: str, code: str) -> None:
    assert refused(query) == (parameter, code)


A_TIME, AN_ID = "2026-01-01T00:00:00+00:00", "019a0c4e-7b1a-7c3e-8f00-1234567890ab"


OF_THIS_LIST = "levelbook.page:tests.row"
NO_CURSORS: list[Any] = [
    None,
    7,
    [],
    {},
    ["-made_at"],
    ["-made_at", False, "no time", AN_ID],
    ["-made_at", False, A_TIME, "no id"],
    ["-made_at", False, None, AN_ID],
]


@pytest.mark.parametrize(
    ("content", "salt", "ordering", "code"),
    [
        (["-made_at", False, A_TIME, AN_ID], "levelbook.page:fleet.vehicle", "-made_at", "bad_cursor"),
        (["-made_at", False, A_TIME, AN_ID], OF_THIS_LIST, "name", "cursor_of_other_ordering"),
        *[(content, OF_THIS_LIST, "-made_at", "bad_cursor") for content in NO_CURSORS],
    ],
)  # fmt: skip
def test_a_cursor_of_something_else_is_422(table: None, content: Any, salt: str, ordering: str, code: str) -> None:
    cursor = signing.dumps(content, salt=salt)
    assert refused(f"?ordering={ordering}&cursor={cursor}") == ("cursor", code)


def refused(query: str) -> tuple[str, str]:
    response = get(query)
    assert (response.status_code, response["Content-Type"]) == (422, "application/problem+json")
    (error,) = json.loads(response.content)["errors"]
    assert error["pointer"] == ""
    return error["parameter"], error["code"]


def test_a_cursor_changed_by_a_single_character_is_refused(table: None) -> None:
    make_rows(3, distinct=3)
    cursor = parse_qs(urlsplit(get("?page_size=2").data["next"]).query)["cursor"][0]
    for position in range(0, len(cursor), 7):
        changed = cursor[:position] + ("A" if cursor[position] != "A" else "B") + cursor[position + 1 :]
        assert get(f"?page_size=2&cursor={changed}").status_code == 422


def test_an_ordering_that_is_not_allowed_is_answered_with_those_that_are(table: None) -> None:
    assert "made_at, name, weight" in json.loads(get("?ordering=note").content)["errors"][0]["detail"]


def test_unknown_parameters_are_ignored(table: None) -> None:
    make_rows(1, distinct=1)
    assert get("?colour=red&page=7&offset=-1").status_code == 200


def test_a_view_without_orderings_is_paged_by_id(table: None) -> None:
    class Plain(RowList):
        ordering_fields = ()
        ordering = "id"

    make_rows(5, distinct=5)
    first = get("?page_size=3", Plain).data
    second = get(query_of(first["next"]), Plain).data
    assert [row["id"] for row in first["results"] + second["results"]] == expected_ids("pk")
    assert get("?ordering=name", Plain).status_code == 422


def test_ordering_by_what_may_be_null_is_a_fault_of_ours_found_at_once(table: None) -> None:
    class Wrong(RowList):
        ordering_fields = ("note",)

    with pytest.raises(ImproperlyConfigured, match="note"):
        get("?ordering=note", Wrong)


def test_the_interface_description_lists_both_directions_of_every_ordering() -> None:
    parameters = {p["name"]: p for p in CursorPagination().get_schema_operation_parameters(RowList())}
    assert parameters["ordering"]["schema"]["enum"] == list(ORDERINGS)
    assert set(parameters) == {"cursor", "page_size", "ordering"}
    assert CursorPagination().get_paginated_response_schema({"type": "array"})["required"] == [
        "next", "previous", "results",
    ]  # fmt: skip

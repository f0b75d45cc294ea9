"""JSON bodies are read strictly (RFC 8259, I-JSON RFC 7493): each refusal says what and where."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from django.core.exceptions import RequestDataTooBig
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.api.parsers import INT64_MAX, INT64_MIN, MAX_DEPTH, BodyTooLarge, MalformedBody, StrictJSONParser


def parse(body: str | bytes) -> dict[str, Any]:
    raw = body.encode() if isinstance(body, str) else body
    return StrictJSONParser().parse(io.BytesIO(raw))


def refusal(body: str | bytes) -> tuple[str, str]:
    with pytest.raises(MalformedBody) as refused:
        parse(body)
    (error,) = refused.value.field_errors
    assert refused.value.status_code == 400
    assert str(error.detail) == str(refused.value.detail)
    return error.code, error.pointer


def nested(depth: int) -> str:
    return '{"a":' * (depth - 1) + "{}" + "}" * (depth - 1)


@pytest.mark.parametrize(
    "body",
    [
        "{}",
        '{"height_mm": 486.0, "settled": true, "note": null, "readings": [{"corner": "FL"}]}',
        '{"note": "Größe Ω 😂 \\ud83d\\ude02 \\u0001"}',
        f'{{"low": {INT64_MIN}, "high": {INT64_MAX}}}',
        '{"tiny": 1e-400, "huge": 1.7976931348623157e308}',
        ' \r\n\t{"a" : 1} \n',
        nested(MAX_DEPTH),
    ],
)
def test_what_json_allows_and_everyone_reads_alike_is_accepted(body: str) -> None:
    assert parse(body) == json.loads(body)


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        ("", "not_json", ""),
        ("{", "not_json", ""),
        ("{'a': 1}", "not_json", ""),
        ('{"a": 1,}', "not_json", ""),
        ('{"a": 01}', "not_json", ""),
        ('{"a": 1} {"b": 2}', "not_json", ""),
        ('{"a": "tab\there"}', "not_json", ""),
        ('{"a": \u0661}', "not_json", ""),
        ("[]", "not_an_object", ""),
        ('"text"', "not_an_object", ""),
        ("null", "not_an_object", ""),
        ("486", "not_an_object", ""),
        (b'{"a": "\xff"}', "not_utf8", ""),
        (b'{"a": "\xed\xa0\x80"}', "not_utf8", ""),
        (b'{"a": "\xc0\x80"}', "not_utf8", ""),
        ('{"a": 1}'.encode("utf-16"), "not_utf8", ""),
        (b"\xef\xbb\xbf{}", "byte_order_mark", ""),
        ('{"readings": [{"height_mm": NaN}]}', "not_a_number", "/readings/0/height_mm"),
        ('{"a": Infinity}', "not_a_number", "/a"),
        ('{"a": [0, -Infinity]}', "not_a_number", "/a/1"),
        ("NaN", "not_a_number", ""),
        ('{"a": 1e999}', "number_too_large", "/a"),
        ('{"a": -1e999}', "number_too_large", "/a"),
        (f'{{"a": {INT64_MAX + 1}}}', "number_too_large", "/a"),
        (f'{{"a": {INT64_MIN - 1}}}', "number_too_large", "/a"),
        (f'{{"a": {"9" * 10_000}}}', "number_too_large", "/a"),
        ('{"a": 1, "b": {"c": 1, "c": 1}}', "duplicate_member", "/b"),
        ('{"a": 1, "\\u0061": 2}', "duplicate_member", ""),
        ('{"setpoints": {"FL": 1, "FL": 2}}', "duplicate_member", "/setpoints"),
        ('{"a": "\\u0000"}', "nul_character", "/a"),
        ('{"x": {"a\\u0000b": 1}}', "nul_character", "/x"),
        ('{"a": ["\\ud800"]}', "lone_surrogate", "/a/0"),
        ('{"a": "\\udc00\\ud800"}', "lone_surrogate", "/a"),
        ('{"\\ud800": {"b": NaN}}', "lone_surrogate", ""),
        ('{"a/b": {"c~d": NaN}}', "not_a_number", "/a~1b/c~0d"),
        (nested(MAX_DEPTH + 1), "too_deep", "/a" * MAX_DEPTH),
    ],
)
def test_everything_else_is_refused_with_a_code_and_the_place(body: str | bytes, code: str, pointer: str) -> None:
    assert refusal(body) == (code, pointer)


@pytest.mark.parametrize("opening", ["[", '{"a":', '[{"a":'])
def test_nesting_without_end_is_refused_and_not_followed(opening: str) -> None:
    assert refusal(opening * 100_000)[0] in {"too_deep", "not_json"}
    closing = {"[": "]", '{"a":': "}", '[{"a":': "}]"}[opening]
    assert refusal(opening * 100_000 + "1" + closing * 100_000)[0] == "too_deep"


def test_what_is_wrong_is_told_without_repeating_it_at_length() -> None:
    with pytest.raises(MalformedBody) as refused:
        parse(f'{{"{"x" * 50_000}": 1, "{"x" * 50_000}": 2}}')
    assert len(str(refused.value.detail)) < 300


def test_a_syntax_error_names_line_and_column() -> None:
    with pytest.raises(MalformedBody, match="line 2, column 7"):
        parse('{"a": 1,\n "b": ?}')


def test_a_body_at_the_limit_is_read_and_one_byte_more_is_413(settings: Any) -> None:
    body = '{"note": "0123456789"}'
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = len(body)
    assert parse(body) == {"note": "0123456789"}
    with pytest.raises(BodyTooLarge, match=f"{len(body)} bytes") as refused:
        parse(body + " ")
    assert refused.value.status_code == 413


def test_without_a_limit_everything_is_read(settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = None
    assert parse(json.dumps({"a": "x" * 2_000_000}))["a"]


def test_the_frameworks_own_size_check_gives_the_same_refusal() -> None:
    class Checked(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            raise RequestDataTooBig

    with pytest.raises(BodyTooLarge):
        StrictJSONParser().parse(Checked())


@given(st.binary(max_size=200) | st.text(alphabet='{}[]",:0123456789eE+-.\\u d8NaInfty', max_size=80).map(str.encode))
@settings(deadline=None)
def test_any_bytes_are_either_an_object_or_a_clear_refusal(body: bytes) -> None:
    try:
        document: object = parse(body)
    except MalformedBody as refused:
        document = refused.field_errors[0].pointer
    assert isinstance(document, dict | str)
    assert isinstance(document, str) or json.loads(body) == document


proper_text = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))
numbers = st.integers(INT64_MIN, INT64_MAX) | st.floats(allow_nan=False, allow_infinity=False)
json_values = st.recursive(
    st.none() | st.booleans() | numbers | proper_text,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(proper_text, inner, max_size=3),
    max_leaves=10,
)


@given(json_values)
@settings(deadline=None)
def test_every_proper_document_arrives_as_it_was_sent(value: Any) -> None:
    assert parse(json.dumps({"value": value})) == {"value": value}

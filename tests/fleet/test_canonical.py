"""Fast canonical JSON against the reference implementation and RFC 8785's own documents."""

from __future__ import annotations

from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.canonical import canonical

NUMBERS = st.one_of(
    st.integers(-(2**53) + 1, 2**53 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-1e-3, 1e-3),
    st.integers(-1000, 1000).map(float),
    st.decimals(-500, 500, places=2, allow_nan=False).map(float),
)
TEXTS = st.one_of(st.text(max_size=12), st.sampled_from(["1.0", "1.0,", "2e-05}", "\ue0001\ue000", '"1.0,']))
VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS),
    lambda inner: st.one_of(st.lists(inner, max_size=5), st.dictionaries(TEXTS, inner, max_size=5)),
    max_leaves=25,
)


@given(VALUES)
@settings(deadline=None, max_examples=1500)
def test_bytes_are_those_of_the_reference_implementation(value: Any) -> None:
    assert canonical(value) == rfc8785.dumps(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.0, "1"),
        ([-0.0, 1e16, 1e-5, 4.5, 2e-3, 1e30, 1e-27], "[0,10000000000000000,0.00001,4.5,0.002,1e+30,1e-27]"),
        ({"€": 1, "\r": 2, "דּ": 3, "1": 4, "😀": 5, "\x80": 6, "ö": 7}, None),
        ({"at": "10:00.0", "n": [1, 2.5]}, '{"at":"10:00.0","n":[1,2.5]}'),
        ('€$\x0f\nA\'B"\\\\"/', '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'),
    ],
)
def test_what_the_standard_library_writes_otherwise(value: Any, text: str | None) -> None:
    """Numbers of RFC 8785, appendix B; names sorted by UTF-16 of section 3.2.3."""
    written = canonical(value).decode()
    assert written == rfc8785.dumps(value).decode()
    assert text is None or written == text

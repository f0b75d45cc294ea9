"""The words that recomputing reads on pages are those that an independent reader finds there."""

from __future__ import annotations

import pytest

from reports.recomputing.page_text import words_of

from . import sample_extremes
from .rendering import pdf_of, squeezed, text_of


@pytest.mark.parametrize("name", [name for name in sample_extremes.ALL if name != "extreme"])
def test_they_are_those_that_pypdf_reads(name: str) -> None:
    pdf = pdf_of(name)
    ours = "".join(word for page in words_of(pdf) for word in page)
    assert sorted(ours) == sorted(squeezed(text_of(pdf)))
    assert "\N{REPLACEMENT CHARACTER}" not in ours


def test_words_stand_in_the_order_of_the_page() -> None:
    words = words_of(pdf_of("certificate"))[0]
    text = " ".join(words)
    assert text.startswith("Certificate Ride-height adjustment No. 2026-0042")
    assert text.index("Adjusted:") < text.index("84 210 km") < text.index("Cautions")

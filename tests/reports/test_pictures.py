"""README.md shows the certificate that is drawn now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from PIL import Image

from reports.certificate import styles
from reports.certificate.document import Document

from .pictures import PICTURE, difference, first_page, pictured

TOLERANCE = 0.002
"""Letters' edges may come out otherwise with another version of the reader that draws the picture."""


def test_the_picture_in_the_readme_is_what_is_drawn_now() -> None:
    drawn = difference(Image.open(PICTURE), first_page(pictured()))
    assert drawn < TOLERANCE, "draw it anew: python -m tests.reports.pictures"


@pytest.mark.parametrize(
    "changed",
    [
        lambda sample: replace(sample, follow_ups=sample.follow_ups[:1]),
        lambda sample: replace(sample, vehicle=replace(sample.vehicle, note="VIN corrected.")),
    ],
    ids=["one line shorter in a column", "one line longer"],
)
def test_the_comparison_itself_tells_another_page(changed: Callable[[Document], Document]) -> None:
    """Negative control: a single line more or less is beyond the tolerance."""
    assert difference(Image.open(PICTURE), first_page(changed(pictured()))) > TOLERANCE


def test_the_comparison_itself_tells_another_layout(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: headings half a point lower."""
    monkeypatch.setattr(styles.SECTION, "spaceBefore", styles.SECTION.spaceBefore + 0.5)
    assert difference(Image.open(PICTURE), first_page(pictured())) > TOLERANCE


def test_the_comparison_itself_tells_other_colours() -> None:
    """Negative control: the same page without colour."""
    assert difference(Image.open(PICTURE), first_page(pictured()).convert("L")) > TOLERANCE


def test_the_comparison_itself_tells_another_size() -> None:
    drawn = first_page(pictured())
    assert difference(drawn, drawn.resize((drawn.width, drawn.height + 1))) == 1.0
    assert difference(drawn, drawn) == 0.0

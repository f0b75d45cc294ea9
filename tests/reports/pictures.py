"""The picture of a certificate in README.md. `python -m tests.reports.pictures` draws it anew."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Final

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
from numpy.typing import NDArray
from PIL import Image

from reports.certificate.document import Document
from reports.certificate.render import render

from . import sample_documents

PICTURE: Final = Path(__file__).parents[2] / "reports" / "pictures" / "certificate-page-1.png"
DOTS_PER_INCH: Final = 100
_POINTS_PER_INCH: Final = 72
_CLEARLY: Final = 64
"""Of 255 levels: more than most edges of letters differ between versions of a reader."""


def first_page(document: Document) -> Image.Image:
    with closing(pypdfium2.PdfDocument(render(document))) as pdf:
        picture: Image.Image = pdf[0].render(scale=DOTS_PER_INCH / _POINTS_PER_INCH).to_pil()
        return picture.convert("RGB")


def difference(one: Image.Image, other: Image.Image) -> float:
    """The share of dots that are clearly of another colour; all of them where the size is another."""
    if one.size != other.size:
        return 1.0
    return float((np.abs(_colours(one) - _colours(other)).max(axis=2) > _CLEARLY).mean())


def _colours(picture: Image.Image) -> NDArray[np.int16]:
    return np.asarray(picture.convert("RGB"), dtype=np.int16)


def pictured() -> Document:
    return sample_documents.repaired()


if __name__ == "__main__":
    import django
    from django.conf import settings

    settings.configure()
    django.setup()
    # A palette makes the file a third as large; chosen like this, no dot is off by more than a few levels.
    first_page(pictured()).quantize(method=Image.Quantize.MAXCOVERAGE).save(PICTURE, optimize=True)

"""The code that opens the verify page."""

from __future__ import annotations

from typing import Literal

import segno
from reportlab.graphics.shapes import Drawing, Path

from reports.drawing import palette

_QUIET_ZONE = 4
_NON_ZERO: Literal[1] = 1
"""ReportLab's winding rule under which overlapping parts stay filled."""


def qr_drawing(url: str, side: float) -> Drawing:
    """A QR code (ISO/IEC 18004, error correction M) with its quiet zone, `side` points wide."""
    matrix = segno.make(url, error="m", micro=False).matrix
    module = side / (len(matrix) + 2 * _QUIET_ZONE)
    modules = Path(fillColor=palette.INK, strokeColor=None, fillMode=_NON_ZERO)
    for row, line in enumerate(matrix):
        y = side - (row + 1 + _QUIET_ZONE) * module
        for start, end in _dark_runs(line):
            _add_run(modules, (start + _QUIET_ZONE) * module, (end + _QUIET_ZONE) * module, y, module * 1.02)
    return Drawing(side, side, modules)


def _dark_runs(modules: bytearray) -> list[tuple[int, int]]:
    """Start and end of each run of dark modules in a row."""
    edges = [0, *modules, 0]
    starts = [i for i in range(len(modules)) if edges[i + 1] and not edges[i]]
    ends = [i + 1 for i in range(len(modules)) if edges[i + 1] and not edges[i + 2]]
    return list(zip(starts, ends, strict=True))


def _add_run(path: Path, left: float, right: float, bottom: float, height: float) -> None:
    """A little higher than a module, so that no viewer shows a gap between rows."""
    path.moveTo(left, bottom)
    path.lineTo(right, bottom)
    path.lineTo(right, bottom + height)
    path.lineTo(left, bottom + height)
    path.closePath()

"""Everything that was wrong with an import's rows, as a file for a spreadsheet."""

from __future__ import annotations

import csv
import io
from tempfile import SpooledTemporaryFile
from typing import IO, Any, Final

from ..models import Import
from ..selectors.imports import problems_of

KEPT_IN_MEMORY: Final = 1_000_000
READ_AT_ONCE: Final = 2_000
HEADINGS: Final = ("line", "column", "code", "detail")
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def error_file(run: Import) -> IO[bytes]:
    """CSV in UTF-8, written whole while the workshop's transaction is open; long ones lie on disk."""
    file: Any = SpooledTemporaryFile(max_size=KEPT_IN_MEMORY)  # noqa: SIM115  (whoever sends it closes it)
    text = io.TextIOWrapper(file, "utf-8-sig", newline="", write_through=True)
    writer = csv.writer(text)
    writer.writerow(HEADINGS)
    for each in problems_of(run).iterator(chunk_size=READ_AT_ONCE):
        writer.writerow([each.line, each.field, each.code, harmless(each.detail)])
    text.detach()
    file.seek(0)
    return file  # type: ignore[no-any-return]


def harmless(text: str) -> str:
    """What a spreadsheet takes for text, not for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text

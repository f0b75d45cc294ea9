"""What is wrong with a file or a row, in the words that its manager reads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fleet.errors import Invalid, LevelbookError


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a row; `column` is ours, empty where it is about the whole row."""

    code: str
    detail: str
    column: str = ""


class FileFault(Exception):  # noqa: N818
    """The file as a whole cannot be carried out."""

    def __init__(self, code: str, detail: Any) -> None:
        super().__init__(code)
        self.code, self.detail = code, str(detail)


class RowFault(Exception):  # noqa: N818
    """A row cannot be read; the next one can."""

    def __init__(self, code: str, detail: Any) -> None:
        super().__init__(code)
        self.fault = Fault(code, str(detail))


def faults_of(error: LevelbookError, columns: Mapping[str, str] | None = None) -> Iterator[Fault]:
    """What a service refused; `columns` says which column its pointers are about."""
    known = columns or {}
    refused = error.errors if isinstance(error, Invalid) else [error]
    for each in refused:
        pointer = each.pointer or ""
        yield Fault(each.code, str(each.detail), known.get(pointer, pointer.strip("/").split("/")[0]))

"""How long a certificate takes, against the bare library.

    python -m tests.campaigns.certificate_time [--times 40]

Prints the time of a certificate's pages, of the whole unsigned file (pages, attached record, archive's structure) and
of its signature, as medians of the processor's time, and the ratio to what the bare library needs for the same
paragraphs, table cells and drawings on pages of the same size. The design's budget for the unsigned file is 1.5 times
that. A second ratio is to the least that is a page with one drawing: a paragraph, a table of five rows, one drawing.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from copy import copy
from io import BytesIO
from typing import Any

import django
from django.conf import settings

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    settings.configure()
    django.setup()

from django.utils import translation
from reportlab.graphics.shapes import Drawing
from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Table

from deploy.signing_certificate import self_made
from reports.certificate import styles
from reports.certificate.document import Document, to_json
from reports.certificate.identity import read_identity
from reports.certificate.layout import MARGIN, PAGE_SIZES
from reports.certificate.render import render, story
from reports.certificate.signing import signed_file
from reports.certificate.unsigned import unsigned_file
from reports.drawing.fonts import register_fonts
from tests.reports import sample_documents
from tests.reports.sample_proof import sample_proof

BUDGET = 1.5


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=40)
    options = parser.parse_args(arguments)
    document = sample_documents.certificate()
    snapshot = to_json(document)
    proof, identity = sample_proof(snapshot), read_identity(self_made())
    unsigned = unsigned_file(snapshot, proof, page_size="A4")
    content = content_of(document)
    taken = {
        name: medians(work, options.times)
        for name, work in {
            "pages": lambda: render(document, proof=proof),
            "unsigned file": lambda: unsigned_file(snapshot, proof, page_size="A4"),
            "signature": lambda: signed_file(unsigned, identity, workshop="Workshop"),
            "bare, the same content": lambda: bare(content),
            "bare, least": lambda: bare(least()),
        }.items()
    }
    for name, seconds in taken.items():
        sys.stdout.write(f"{name:24} {seconds * 1000:7.1f} ms\n")
    for name in ("bare, the same content", "bare, least"):
        ratio = taken["unsigned file"] / taken[name]
        sys.stdout.write(f"unsigned file / {name}: {ratio:.2f} (budget {BUDGET})\n")
    return 0


def medians(work: Callable[[], Any], times: int) -> float:
    """Of the processor's time, which other processes disturb least."""
    work()
    taken = []
    for _ in range(times):
        before = time.process_time()
        work()
        taken.append(time.process_time() - before)
    return statistics.median(taken)


def content_of(document: Document) -> list[tuple[str, Any]]:
    """What a certificate draws, as plain content: texts with their styles, tables of texts, drawings as they are."""
    register_fonts()
    with translation.override(document.language):
        return list(_content(story(document, "A4", sample_proof(to_json(document)))))


def _content(flowables: Sequence[Flowable]) -> Iterator[tuple[str, Any]]:
    for each in flowables:
        if isinstance(each, KeepTogether):
            yield from _content(each.flowables)  # type: ignore[attr-defined]
        elif isinstance(each, Table):
            yield from _content_of_table(each)
        elif isinstance(each, Paragraph):
            yield "paragraph", (each.text, each.style)
        elif isinstance(each, Drawing):
            yield "drawing", each


def _content_of_table(table: Any) -> Iterator[tuple[str, Any]]:
    cells = [[_cell(cell) for cell in row] for row in table._cellvalues]
    inner = [part for row in table._cellvalues for cell in row for part in _nested(cell)]
    yield "table", (cells, list(table._argW))
    yield from inner


def _cell(cell: Any) -> tuple[str, Any] | None:
    only = cell[0] if isinstance(cell, list | tuple) and len(cell) == 1 else cell
    return (only.text, only.style) if isinstance(only, Paragraph) else None


def _nested(cell: Any) -> list[tuple[str, Any]]:
    parts = cell if isinstance(cell, list | tuple) else [cell]
    return list(_content([part for part in parts if isinstance(part, Flowable) and _cell(cell) is None]))


def least() -> list[tuple[str, Any]]:
    """One page: a paragraph, a table of five rows, one drawing."""
    from reports.certificate.front_page import _plan_views

    drawing = next(_drawings(_plan_views(sample_documents.certificate(), 511.0, 175.0)))
    row = [("Front left", styles.CELL), *[("486.0", styles.CELL)] * 8]
    return [("paragraph", ("Text " * 60, styles.BODY)), ("table", ([row] * 5, [56.0] * 9)), ("drawing", drawing)]


def _drawings(flowables: Sequence[Any]) -> Iterator[Drawing]:
    for each in flowables:
        for row in getattr(each, "_cellvalues", ()):
            for cell in row:
                if isinstance(cell, Drawing):
                    yield cell


def bare(content: Sequence[tuple[str, Any]]) -> bytes:
    """The content by the library's own template, without anything of ours."""
    target = BytesIO()
    flowables: list[Flowable] = []
    for kind, value in content:
        if kind == "paragraph":
            flowables.append(Paragraph(*value))
        elif kind == "table":
            cells, widths = value
            made = [[Paragraph(*cell) if cell else "" for cell in row] for row in cells]
            flowables.append(Table(made, colWidths=widths))
        else:
            flowables.append(copy(value))  # a template leaves notes on what it moves to the next page
    template = SimpleDocTemplate(
        target,
        pagesize=PAGE_SIZES["A4"],
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        invariant=1,
        pageCompression=0,
    )
    template.build(flowables)
    return target.getvalue()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

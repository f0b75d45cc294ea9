"""Lists in parts: which part is shown, and the addresses of its neighbours with every filter kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils.translation import gettext as _

ROWS_SHOWN: Final = 50


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a list."""

    rows: Sequence[Any]
    where: Any
    previous_url: str
    next_url: str


def part_of(request: HttpRequest, rows: QuerySet[Any] | Sequence[Any], most: int = ROWS_SHOWN) -> Part:
    """The part that `?page=` names; the nearest there is where it names none."""
    page = Paginator(rows, most).get_page(request.GET.get("page"))
    values = {"first": page.start_index(), "last": page.end_index(), "total": page.paginator.count}
    return Part(
        rows=list(page.object_list),
        where=_("%(first)s to %(last)s of %(total)s") % values if values["total"] else "",
        previous_url=_address(request, page.previous_page_number()) if page.has_previous() else "",
        next_url=_address(request, page.next_page_number()) if page.has_next() else "",
    )


def _address(request: HttpRequest, number: int) -> str:
    query = request.GET.copy()
    query["page"] = str(number)
    return f"?{query.urlencode()}"

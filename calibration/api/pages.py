"""Pages of a list that is computed and not read from one table; otherwise as `fleet.api.pagination`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final, Protocol

from django.core import signing
from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.utils.urls import replace_query_param

from fleet.api.pagination import DEFAULT_PAGE_SIZE, MAX_PAGE_SIZE, CursorPagination

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.views import APIView

_SALT: Final = "levelbook.page:computed"


class Ordered(Protocol):
    @property
    def order(self) -> tuple[str, ...]:
        """Where an item stands in its list, unique."""


class ComputedPagination(CursorPagination):
    """Items come newest first; a page begins beyond the item that the cursor names, whether or not it still exists."""

    def paginate_queryset(self, queryset: Any, request: Request, view: APIView | None = None) -> list[Any]:
        self.request = request
        items: Sequence[Ordered] = queryset
        size = _page_size(request.query_params.get("page_size"))
        backwards, order = _position(request.query_params.get("cursor"))
        before = [each for each in items if order is not None and each.order >= order]
        start = max(len(before) - size - 1, 0) if backwards else len(before)
        stop = max(len(before) - 1, 0) if backwards else start + size
        page = list(items[start:stop])
        self.next_link = self._link_to(page[-1], backwards=False) if page and stop < len(items) else None
        self.previous_link = self._link_to(page[0], backwards=True) if page and start > 0 else None
        return page

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        parameters = super().get_schema_operation_parameters(view)
        return [each for each in parameters if each["name"] != "ordering"]

    def _link_to(self, item: Ordered, *, backwards: bool) -> str:
        cursor = signing.dumps([backwards, *item.order], salt=_SALT)
        return replace_query_param(self.request.build_absolute_uri(), "cursor", cursor)


def _position(cursor: str | None) -> tuple[bool, tuple[str, ...] | None]:
    if cursor is None:
        return False, None
    try:
        backwards, *order = signing.loads(cursor, salt=_SALT)
    except (signing.BadSignature, ValueError, TypeError):
        detail = _("This is no cursor of this list. Take it from 'next' or 'previous', or leave it out.")
        raise ValidationError({"cursor": [ErrorDetail(str(detail), "bad_cursor")]}) from None
    return backwards, tuple(order)


def _page_size(text: str | None) -> int:
    if text is None:
        return DEFAULT_PAGE_SIZE
    if not (text.isascii() and text.isdecimal() and len(text) <= 20 and int(text)):
        detail = _("Must be a whole number from 1; more than %(most)s gives %(most)s.") % {"most": MAX_PAGE_SIZE}
        raise ValidationError({"page_size": [ErrorDetail(str(detail), "invalid_page_size")]})
    return min(int(text), MAX_PAGE_SIZE)

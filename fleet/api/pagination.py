"""Lists in pages that neither skip nor repeat, however many rows share a value or are added meanwhile.

A page starts after the (ordering value, id) of a row, not after a count of rows. (The framework's own cursor
counts rows with equal values, up to a thousand.) The view names what it may be ordered by:

    ordering_fields = ("created_at", "vin")   # model fields, not null, with an index that ends in id
    ordering = "-created_at"                  # the default; "id" if there is none
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from django.core import signing
from django.core.exceptions import ImproperlyConfigured
from django.core.exceptions import ValidationError as DjangoValidationError
from django.db.models import Field, Model, Q, QuerySet
from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request
    from rest_framework.views import APIView

DEFAULT_PAGE_SIZE: Final = 50
MAX_PAGE_SIZE: Final = 200
_WHOLE_NUMBER: Final = re.compile(r"\d{1,1000}", re.ASCII)
_SALT: Final = "levelbook.page"


@dataclass(frozen=True)
class Cursor:
    """Where a page begins: after (or, going backwards, before) the row with this value and id."""

    ordering: str
    backwards: bool
    value: str
    row_id: str

    def signed(self, label: str) -> str:
        return signing.dumps([self.ordering, self.backwards, self.value, self.row_id], salt=f"{_SALT}:{label}")


class CursorPagination(BasePagination):
    """`{next, previous, results}` with `?page_size=`, `?ordering=` and `?cursor=`."""

    page: list[Any]

    def paginate_queryset(self, queryset: Any, request: Request, view: APIView | None = None) -> list[Any]:
        self.request = request
        self.model: type[Model] = queryset.model
        allowed = allowed_orderings(view)
        size = _page_size(request.query_params.get("page_size"))
        self.ordering = _ordering(request.query_params.get("ordering"), allowed, getattr(view, "ordering", "id"))
        self.field = _order_field(self.model, self.ordering.removeprefix("-"))
        cursor = self._cursor(request.query_params.get("cursor"))
        rows = list(self._after(queryset, cursor)[: size + 1])
        return self._remember(rows, size, cursor)

    def get_paginated_response(self, data: Any) -> Response:
        return Response({"next": self.next_link, "previous": self.previous_link, "results": data})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        link = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["next", "previous", "results"],
            "properties": {
                "next": {**link, "description": str(_("Address of the next page, null on the last."))},
                "previous": {**link, "description": str(_("Address of the page before, null on the first."))},
                "results": schema,
            },
        }

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        names = allowed_orderings(view)
        both_ways = [sign + name for name in names for sign in ("", "-")]
        size_schema = {"type": "integer", "minimum": 1, "default": DEFAULT_PAGE_SIZE}
        return [
            _parameter("cursor", {"type": "string"}, _("Where the page begins; taken from `next` or `previous`.")),
            _parameter("page_size", size_schema, _("Rows on a page; more than 200 gives 200.")),
            _parameter("ordering", {"type": "string", "enum": both_ways}, _("`-` in front: falling.")),
        ]

    def _cursor(self, signed: str | None) -> Cursor | None:
        if signed is None:
            return None
        try:
            cursor = Cursor(*signing.loads(signed, salt=f"{_SALT}:{self.model._meta.label_lower}"))
        except (signing.BadSignature, ValueError, TypeError):  # TypeError: not four members
            detail = _("This is no cursor of this list. Take it from 'next' or 'previous', or leave it out.")
            raise _invalid("cursor", "bad_cursor", detail) from None
        if cursor.ordering != self.ordering:
            detail = _("This cursor belongs to the ordering '%(ordering)s'. Leave it out to begin another.")
            raise _invalid("cursor", "cursor_of_other_ordering", detail % {"ordering": cursor.ordering})
        return cursor

    def _after(self, queryset: QuerySet[Any], cursor: Cursor | None) -> QuerySet[Any]:
        backwards = cursor is not None and cursor.backwards
        falling = self.ordering.startswith("-") != backwards
        sign, lookup = ("-", "lt") if falling else ("", "gt")
        names = [self.field.name] if self.field.primary_key else [self.field.name, "pk"]
        ordered = queryset.order_by(*(sign + name for name in names))
        return ordered if cursor is None else ordered.filter(self._beyond(cursor, lookup))

    def _beyond(self, cursor: Cursor, lookup: str) -> Q:
        """(value, id) beyond the cursor's, in a form for which one index range serves."""
        row_id = self._parsed(_order_field(self.model, "pk"), cursor.row_id)
        if self.field.primary_key:
            return Q(**{f"pk__{lookup}": row_id})
        value = self._parsed(self.field, cursor.value)
        beyond = Q(**{f"{self.field.name}__{lookup}": value})
        tied = Q(**{self.field.name: value, f"pk__{lookup}": row_id})
        return Q(**{f"{self.field.name}__{lookup}e": value}) & (beyond | tied)

    def _parsed(self, field: Field[Any, Any], text: str) -> Any:
        try:
            return field.to_python(str(text))
        except DjangoValidationError:
            raise _invalid("cursor", "bad_cursor", _("This cursor is of another version. Leave it out.")) from None

    def _remember(self, rows: list[Any], size: int, cursor: Cursor | None) -> list[Any]:
        backwards = cursor is not None and cursor.backwards
        page, has_more = rows[:size], len(rows) > size
        if backwards:
            page.reverse()
        self.next_link = self._link(page[-1], backwards=False) if page and (has_more or backwards) else None
        has_previous = has_more if backwards else cursor is not None
        self.previous_link = self._link(page[0], backwards=True) if page and has_previous else None
        return page

    def _link(self, row: Model, *, backwards: bool) -> str:
        cursor = Cursor(self.ordering, backwards, self.field.value_to_string(row), str(row.pk))
        signed = cursor.signed(self.model._meta.label_lower)
        return replace_query_param(self.request.build_absolute_uri(), "cursor", signed)


def allowed_orderings(view: APIView | None) -> tuple[str, ...]:
    """The names that the view may be ordered by."""
    names: Sequence[str] = getattr(view, "ordering_fields", ())
    default = getattr(view, "ordering", "id").removeprefix("-")
    return tuple(dict.fromkeys((*names, default)))


def _page_size(text: str | None) -> int:
    if text is None:
        return DEFAULT_PAGE_SIZE
    if not _WHOLE_NUMBER.fullmatch(text) or int(text) == 0:
        detail = _("Must be a whole number from 1; more than %(most)s gives %(most)s.")
        raise _invalid("page_size", "invalid_page_size", detail % {"most": MAX_PAGE_SIZE})
    return min(int(text), MAX_PAGE_SIZE)


def _ordering(text: str | None, allowed: Sequence[str], default: str) -> str:
    if text is None:
        return default
    if text.removeprefix("-") not in allowed:
        detail = _("This list cannot be ordered so. Allowed, each also with '-' in front: %(allowed)s.")
        raise _invalid("ordering", "invalid_ordering", detail % {"allowed": ", ".join(allowed)})
    return text


def _order_field(model: type[Model], name: str) -> Field[Any, Any]:
    field = model._meta.pk if name == "pk" else model._meta.get_field(name)
    if not isinstance(field, Field) or field.null:
        raise ImproperlyConfigured(
            f"{model._meta.label} cannot be paged by {name}: it must be a field that is not null"
        )
    return field


def _parameter(name: str, schema: dict[str, Any], description: Any) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": schema, "description": str(description)}


def _invalid(parameter: str, code: str, detail: Any) -> ValidationError:
    return ValidationError({parameter: [ErrorDetail(str(detail), code)]})

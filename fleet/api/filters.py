"""Query fields that several lists share."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

import django_filters
from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _
from drf_spectacular.drainage import set_override
from rest_framework.exceptions import ValidationError as FrameworkError

from .fields import AwareDateTime


class AwareTimeFormField(forms.Field):
    """A time with its offset, as in bodies."""

    def to_python(self, value: Any) -> datetime | None:
        if value in self.empty_values:
            return None
        # An unescaped plus sign in a query string arrives as a space.
        text = value.replace(" ", "+") if isinstance(value, str) else value
        try:
            return AwareDateTime().to_internal_value(text)
        except FrameworkError as error:
            details: Any = error.detail
            raise ValidationError([ValidationError(str(each), each.code) for each in details]) from None


def one_of(
    field_name: str,
    words: Iterable[str],
    label: Any,
    filter_class: type[django_filters.ChoiceFilter] = django_filters.ChoiceFilter,
) -> django_filters.Filter:
    """A filter by one word of a fixed set; the refusal lists them."""
    allowed = [str(word) for word in words]
    refusal = _("Must be one of: %(allowed)s.") % {"allowed": ", ".join(allowed)}
    return filter_class(
        field_name=field_name,
        choices=[(word, word) for word in allowed],
        label=label,
        error_messages={"invalid_choice": refusal},
    )


class TextFilter(django_filters.CharFilter):
    """Filters by a text, whose greatest length the description names."""

    def __init__(self, *args: Any, max_length: int, **options: Any) -> None:
        super().__init__(*args, max_length=max_length, **options)
        set_override(self, "field", {"type": "string", "maxLength": max_length})


class AwareTimeFilter(django_filters.Filter):
    """Filters by a time with offset."""

    field_class = AwareTimeFormField

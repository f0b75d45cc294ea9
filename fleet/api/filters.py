"""Query fields that several lists share."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import django_filters
from django import forms
from django.core.exceptions import ValidationError
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
            messages = error.detail if isinstance(error.detail, list) else [error.detail]
            raise ValidationError([str(message) for message in messages]) from None


class AwareTimeFilter(django_filters.Filter):
    """Filters by a time with offset."""

    field_class = AwareTimeFormField

"""Words of a fixed set and lists, refused in words that say what is expected."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise


class Choice(serializers.ChoiceField):
    """One word of a fixed set; the refusal lists them."""

    default_error_messages: ClassVar[dict[str, _StrOrPromise]] = {
        "not_allowed": _("Must be one of: {allowed}."),
    }

    def to_internal_value(self, data: Any) -> str:
        if data == "" and self.allow_blank:
            return ""
        if not isinstance(data, str) or data not in self.choices:
            self.fail("not_allowed", allowed=", ".join(map(str, self.choices)))
        return data


NOT_A_LIST: dict[str, Any] = {"not_a_list": _("Must be a JSON list: […].")}


class ListOf(serializers.ListField):
    """A list, each item read by `child`."""

    default_error_messages: ClassVar[dict[str, _StrOrPromise]] = {
        **NOT_A_LIST,
        "empty": _("Must have at least one item."),
        "min_length": _("Must have at least {min_length} items."),
        "max_length": _("Must have at most {max_length} items."),
    }

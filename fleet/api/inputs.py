"""What the bodies of several resources have in common."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar, Final

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from .fields import ClientId
from .known_names import no_such_name

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

PASSWORD_LENGTH_MAX: Final = 256
MOST_UNKNOWN_MEMBERS: Final = 20
"""How many are named in one refusal; a body of garbage is not answered at its own length."""
_PIN: Final = re.compile(r"\d{4,8}", re.ASCII)


class RequestBody(serializers.Serializer[Any]):
    """An object that a client sends, as body or within one: every member must be known.

    A misspelt member that were passed over would leave a default or nothing where a figure was meant.
    """

    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, Mapping):
            raise ValidationError({"non_field_errors": [self._not_an_object()]})
        unknown = self._unknown_members(data)
        try:
            values = super().to_internal_value(data)
        except ValidationError as error:
            raise ValidationError({**unknown, **error.detail}) from None  # type: ignore[dict-item]  # of a serializer
        if unknown:
            raise ValidationError(unknown)
        return values

    def _unknown_members(self, data: Mapping[str, Any]) -> dict[str, list[ErrorDetail]]:
        unknown = sorted(data.keys() - self._known())[:MOST_UNKNOWN_MEMBERS]
        return {name: [ErrorDetail(no_such_name(name, self._known()), "unknown_member")] for name in unknown}

    def _known(self) -> list[str]:
        return [name for name, field in self.fields.items() if not field.read_only]

    def _not_an_object(self) -> ErrorDetail:
        detail = _("Must be a JSON object with these members: %(known)s.") % {"known": ", ".join(self._known())}
        return ErrorDetail(detail, "not_an_object")


class RecordSerializer(RequestBody):
    """A body that makes a record; the client may choose its id."""

    id = ClientId(
        required=False,
        help_text=_("Made by the client, version 7; sending it again with the same content makes nothing new."),
    )


class Reference(ClientId):
    """The id of another record; one of another version is no record's."""

    default_error_messages: ClassVar[dict[str, _StrOrPromise]] = {
        "does_not_exist": _("There is no record with this id in your workshop. Take it from the list of them."),
    }

    def not_version_7(self) -> str:
        return "does_not_exist"


class PasswordField(serializers.Field[str, Any, str, Any]):
    """A password, exactly as typed."""

    default_error_messages: ClassVar[dict[str, Any]] = {
        "not_text": _("Must be text."),
        "too_long": _("Must have at most {most} characters."),
    }

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(write_only=True, **kwargs)

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str) or not data:
            self.fail("not_text")
        if len(data) > PASSWORD_LENGTH_MAX:
            self.fail("too_long", most=PASSWORD_LENGTH_MAX)
        return data


class PinField(serializers.Field[str, Any, str, Any]):
    """A personal identification number of 4 to 8 digits, as text: it may begin with zero."""

    default_error_messages: ClassVar[dict[str, Any]] = {
        "pin_form": _('A PIN is text of 4 to 8 digits, for example in quotation marks: "0471".'),
    }

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(write_only=True, **kwargs)

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str) or not _PIN.fullmatch(data):
            self.fail("pin_form")
        return data


class VersionNumber(serializers.IntegerField):
    """How often a record was changed."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(help_text=_("Goes up with every change; the number in `ETag`."), **kwargs)


class FindingSerializer(serializers.Serializer[Any]):
    """Something to know, to review or to mend about a record."""

    code = serializers.CharField(help_text=_("Stable slug to act on."))
    severity = serializers.ChoiceField(
        ["note", "review", "stop"], help_text=_("`note` informs, `review` waits for a ruling, `stop` halts the work.")
    )
    corner = serializers.ChoiceField(["FL", "FR", "RL", "RR"], required=False, help_text=_("Where it is about one."))
    detail = serializers.CharField(help_text=_("What it is and what to do, for people."))

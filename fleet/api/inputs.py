"""What the bodies of several resources have in common."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, ClassVar, Final

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from .fields import ClientId

PASSWORD_LENGTH_MAX: Final = 256
_PIN: Final = re.compile(r"\d{4,8}", re.ASCII)


class RecordSerializer(serializers.Serializer[Any]):
    """A body that makes a record; the client may choose its id."""

    id = ClientId(required=False, help_text=_("Made by the client; sending it again makes nothing new."))


class Reference(ClientId):
    """The id of another record."""

    default_error_messages: ClassVar[dict[str, Any]] = {"not_uuid7": _("There is no record with this id.")}


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


class NothingUnknown(serializers.Serializer[Any]):
    """A body in which a mistyped member is refused instead of being passed over."""

    def to_internal_value(self, data: Any) -> Any:
        unknown = sorted(set(data) - set(self.fields)) if isinstance(data, Mapping) else ()
        if unknown:
            message = ErrorDetail(str(_("There is no such member. Compare its name with the documentation.")))
            message.code = "unknown_member"
            raise ValidationError({name: [message] for name in unknown})
        return super().to_internal_value(data)


class FindingSerializer(serializers.Serializer[Any]):
    """Something to know, to review or to mend about a record."""

    code = serializers.CharField()
    severity = serializers.ChoiceField(["note", "review", "stop"])
    corner = serializers.ChoiceField(["FL", "FR", "RL", "RR"], required=False)
    detail = serializers.CharField()

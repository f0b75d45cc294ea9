"""Forms in which a person sets what only they know. What they type is not shown, so they type it twice."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.api.inputs import PASSWORD_LENGTH_MAX

from .forms import PIN_HINT


def _hidden(autocomplete: str, **attributes: str) -> forms.PasswordInput:
    return forms.PasswordInput(attrs={"autocomplete": autocomplete, **attributes})


class _TypedTwice(forms.Form):
    secret: ClassVar[str]
    differs: ClassVar[Any]

    def clean(self) -> dict[str, Any]:
        typed = self.cleaned_data
        first, again = typed.get(self.secret), typed.get(f"{self.secret}_again")
        if first and again and first != again:
            self.add_error(f"{self.secret}_again", self.differs)
        return typed


class NewPasswordForm(_TypedTwice):
    """A new password in place of a lost one."""

    secret = "password"  # noqa: S105  (the field's name)
    differs = _("The two passwords differ. Type the same one twice.")

    password = forms.CharField(
        label=_("New password"),
        strip=False,
        max_length=PASSWORD_LENGTH_MAX,
        help_text=_("At least 12 characters."),
        widget=_hidden("new-password"),
    )
    password_again = forms.CharField(
        label=_("New password again"), strip=False, max_length=PASSWORD_LENGTH_MAX, widget=_hidden("new-password")
    )


class PinForm(_TypedTwice):
    """One's own PIN, proved by one's own password where there is one."""

    secret = "pin"  # noqa: S105  (the field's name)
    differs = _("The two PINs differ. Type the same one twice.")

    password = forms.CharField(
        label=_("Your password"), strip=False, max_length=PASSWORD_LENGTH_MAX, widget=_hidden("current-password")
    )
    pin = forms.RegexField(
        r"^[0-9]{4,8}\Z",
        label=_("New PIN"),
        strip=False,
        help_text=PIN_HINT,
        error_messages={"invalid": _("A PIN has 4 to 8 digits.")},
        widget=_hidden("off", inputmode="numeric"),
    )
    pin_again = forms.CharField(
        label=_("New PIN again"), strip=False, max_length=8, widget=_hidden("off", inputmode="numeric")
    )

    def __init__(self, *args: Any, has_password: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not has_password:
            del self.fields["password"]

"""Forms of signing in, of one's own account, and of tablets."""

from __future__ import annotations

from typing import Any, Final

from allauth.account import forms as account_forms
from allauth.mfa.adapter import get_adapter
from allauth.mfa.base import forms as mfa_forms
from allauth.mfa.totp import forms as totp_forms
from allauth.mfa.webauthn import forms as webauthn_forms
from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.api.inputs import PASSWORD_LENGTH_MAX
from fleet.sign_in.codes import remember_use

from .typed import PlainText
from .workshop_page import VersionField

UNREADABLE: Final = (AttributeError, KeyError, TypeError, ValueError)
PIN_HINT = _("4 to 8 digits, not easily guessed. You sign with it, and show with it on a shared tablet that it is you.")


def _named(field: forms.Field, label: Any, hint: Any = "", **attributes: str) -> None:
    field.label, field.help_text = label, hint
    field.widget.attrs.pop("placeholder", None)
    field.widget.attrs.update(attributes)


class SignInForm(account_forms.LoginForm):  # type: ignore[misc]
    """E-mail address and password."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(self.fields["login"], _("E-mail address"), autocomplete="username")
        _named(self.fields["password"], _("Password"))


class ConfirmPasswordForm(account_forms.ReauthenticateForm):  # type: ignore[misc]
    """One's own password, once more."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(self.fields["password"], _("Your password"))


class ChangePasswordForm(account_forms.ChangePasswordForm):  # type: ignore[misc]
    """The old password and the new one."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(self.fields["oldpassword"], _("Present password"), autocomplete="current-password")
        _named(self.fields["password1"], _("New password"), _("At least 12 characters."), autocomplete="new-password")
        _named(self.fields["password2"], _("New password again"), autocomplete="new-password")


class _CodeGoodOnce:
    """Has a code that was taken refused from then on."""

    def clean_code(self) -> str:
        code: str = super().clean_code()  # type: ignore[misc]
        remember_use(self.user, code)  # type: ignore[attr-defined]
        return code


class SecondFactorForm(_CodeGoodOnce, mfa_forms.AuthenticateForm):  # type: ignore[misc]
    """A code of the authenticator app, or a recovery code."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(
            self.fields["code"],
            _("Code"),
            _("The six digits that your authenticator app shows now, or one of your recovery codes."),
            inputmode="numeric",
        )


class ConfirmSecondFactorForm(_CodeGoodOnce, mfa_forms.ReauthenticateForm):  # type: ignore[misc]
    """The same, to confirm that it is still the same person."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(self.fields["code"], _("Code"), _("Of your authenticator app, or a recovery code."), inputmode="numeric")


class AuthenticatorAppForm(_CodeGoodOnce, totp_forms.ActivateTOTPForm):  # type: ignore[misc]
    """The first code of a new authenticator app."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(self.fields["code"], _("Code"), _("The six digits that the app shows now."), inputmode="numeric")


class _ReadableCredential:
    """What a browser made of a passkey, read without trust: django-allauth trips over some that is none."""

    def clean_credential(self) -> Any:
        try:
            return super().clean_credential()  # type: ignore[misc]
        except UNREADABLE:
            raise get_adapter().validation_error("incorrect_code") from None


class PasskeySignInForm(_ReadableCredential, webauthn_forms.LoginWebAuthnForm):  # type: ignore[misc]
    """Signing in with a passkey alone."""


class PasskeySecondFactorForm(_ReadableCredential, webauthn_forms.AuthenticateWebAuthnForm):  # type: ignore[misc]
    """A passkey beside the password."""


class ConfirmPasskeyForm(_ReadableCredential, webauthn_forms.ReauthenticateWebAuthnForm):  # type: ignore[misc]
    """A passkey, to confirm that it is still the same person."""


class PasskeyForm(webauthn_forms.AddWebAuthnForm):  # type: ignore[misc]
    """A new passkey; the browser fills in what it made."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _named(self.fields["name"], _("Name of the passkey"), autocomplete="off")
        _named(
            self.fields["passwordless"],
            _("Sign in with it instead of a password"),
            _("The device then asks for your finger, face or its own PIN."),
        )

    def clean(self) -> Any:
        try:
            return super().clean()
        except UNREADABLE:
            raise get_adapter().validation_error("incorrect_code") from None


class AcceptanceForm(forms.Form):
    """What an invited person sets: their password, and their PIN if they will sign."""

    password = forms.CharField(
        label=_("Password"),
        strip=False,
        max_length=PASSWORD_LENGTH_MAX,
        help_text=_("At least 12 characters. If you have a Levelbook password already, enter that one."),
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    pin = forms.RegexField(
        r"^[0-9]{4,8}$",
        label=_("PIN"),
        required=False,
        help_text=PIN_HINT,
        error_messages={"invalid": _("A PIN has 4 to 8 digits.")},
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "inputmode": "numeric"}),
    )


class TabletNameForm(forms.Form):
    """What the workshop calls a tablet. The version says which one was seen."""

    name = PlainText(label=_("Name"), max_length=80, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    version = VersionField()

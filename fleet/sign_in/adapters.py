"""How django-allauth signs our people in: no sign-up, the e-mail address on the account, our words, our records."""

from __future__ import annotations

from typing import Any, Final

import segno
from allauth.account.adapter import DefaultAccountAdapter
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from cryptography.fernet import InvalidToken
from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser
from django.http import HttpRequest
from django.utils.translation import gettext_lazy as _
from redis.exceptions import RedisError

from fleet.errors import Conflict, Unavailable
from fleet.models import User

from .addresses import client_of
from .binding import bind_to_only_workshop, unbind
from .ciphers import cipher
from .kept_entries import forget_entries_of_others
from .limits import is_locked_out
from .refusals import note_refusal

SECOND_FACTOR: Final = "second_factor"


class AccountAdapter(DefaultAccountAdapter):  # type: ignore[misc]
    """Passwords, sessions and what is noted of them."""

    error_messages = {
        **DefaultAccountAdapter.error_messages,
        "email_password_mismatch": _("E-mail address and password do not belong together. Check both."),
        "incorrect_password": _("This is not your password."),
        "too_many_login_attempts": _(
            "Too many failed attempts. Wait for a quarter of an hour, then try again. Two ways stay open meanwhile: "
            "a passkey that signs in without a password, and a link to set a new one, which a manager can have sent "
            "to you."
        ),
        "rate_limited": _("Too many failed attempts. Wait for a quarter of an hour, then try again."),
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def get_client_ip(self, request: HttpRequest) -> str:
        return client_of(request)

    def authenticate(self, request: HttpRequest, **credentials: Any) -> AbstractBaseUser | None:
        """Where attempts cannot be counted nobody signs in."""
        try:
            user: AbstractBaseUser | None = super().authenticate(request, **credentials)
        except (OSError, RedisError) as error:
            raise Unavailable from error
        return user

    def authentication_failed(self, request: HttpRequest, **credentials: Any) -> None:
        email = str(credentials.get("email", ""))
        key = self._get_login_attempts_cache_key(request, **credentials)
        note_refusal(request, email, "password", is_last=is_locked_out(request, key))

    def forget_failures(self, email: str) -> None:
        """After a new password attempts count anew; only whoever reads the person's mail gets here."""
        self._delete_login_attempts_cached_email(self.request, email=email)

    def reauthenticate(self, user: AbstractBaseUser, password: str) -> bool:
        """The same limit holds as for signing in."""
        email = user.get_username()
        return self.authenticate(self.request, email=email, password=password) == user

    def login(self, request: HttpRequest, user: AbstractBaseUser) -> None:
        super().login(request, user)
        assert isinstance(user, User)
        forget_entries_of_others(request)
        bind_to_only_workshop(request, user)

    def logout(self, request: HttpRequest) -> None:
        unbind(request)
        super().logout(request)


class SecondFactorAdapter(DefaultMFAAdapter):  # type: ignore[misc]
    """Authenticator apps, passkeys and recovery codes. Their secrets are stored encrypted."""

    error_messages = {
        **DefaultMFAAdapter.error_messages,
        "incorrect_code": _("This code is not right. Take the one that is shown now; each is good once."),
        "cannot_delete_authenticator": _("This second factor cannot be removed."),
        "cannot_generate_recovery_codes": _("Recovery codes need a second factor. Set one up first."),
    }

    def encrypt(self, text: str) -> str:
        return cipher(SECOND_FACTOR).encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        try:
            return cipher(SECOND_FACTOR).decrypt(encrypted_text.encode()).decode()
        except InvalidToken:
            raise Conflict(
                _("Your second factor was made under another key of this installation. Ask whoever runs it."),
                code="second_factor_of_old_key",
            ) from None

    def build_totp_svg(self, url: str) -> str:
        return str(segno.make(url, error="m").svg_inline(scale=5, border=4, light="#fff"))

    def generate_authenticator_name(self, user: AbstractBaseUser, type: Authenticator.Type) -> str:  # noqa: A002
        number = Authenticator.objects.filter(user_id=user.pk, type=type).count() + 1
        return str(_("Passkey %(number)s") % {"number": number})

    def _get_site_name(self) -> str:
        return str(settings.MFA_TOTP_ISSUER)

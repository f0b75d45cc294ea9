"""Errors of the domain, with stable codes. What they mean in HTTP is known to `fleet.api.problems` only.

A code is a slug that clients act on and that never changes; a detail is a sentence for people that names
the thing, the rule and what to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Self

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from django.utils.functional import _StrOrPromise


@dataclass(frozen=True)
class FieldError:
    """One thing that is wrong with what was sent; `pointer` is a JSON pointer (RFC 6901) into it."""

    pointer: str
    code: str
    detail: _StrOrPromise
    to_programs: _StrOrPromise = ""
    """How a program goes on, as the interface adds it to the detail; pages say in words of their own what to do."""


class LevelbookError(Exception):
    """Something that the service refuses or cannot do, said so that a person can act on it."""

    default_code: ClassVar[str] = "refused"
    default_detail: ClassVar[_StrOrPromise] = _("This was refused.")

    def __init__(
        self, detail: _StrOrPromise | None = None, *, code: str | None = None, pointer: str | None = None
    ) -> None:
        self.detail = detail or self.default_detail
        self.code = code or self.default_code
        self.pointer = pointer
        super().__init__(self.code, self.pointer)

    def __str__(self) -> str:
        return str(self.detail)


class Invalid(LevelbookError):  # noqa: N818
    """What was sent breaks a rule. Carries one error for each thing that is wrong."""

    default_code = "invalid"
    default_detail = _("What was sent is not valid. Each error names the place, the rule and what to do.")

    def __init__(self, errors: Iterable[FieldError | tuple[str, str, _StrOrPromise]]) -> None:
        super().__init__()
        self.errors = tuple(e if isinstance(e, FieldError) else FieldError(*e) for e in errors)
        if not self.errors:
            raise ValueError("Invalid needs at least one error")

    @classmethod
    def at(cls, pointer: str, code: str, detail: _StrOrPromise) -> Self:
        """The common case of a single error."""
        return cls([FieldError(pointer, code, detail)])

    def __str__(self) -> str:
        return "; ".join(f"{e.pointer}: {e.detail}" if e.pointer else str(e.detail) for e in self.errors)


class Conflict(LevelbookError):  # noqa: N818
    """What was asked does not fit the present state; `next_step` says what does."""

    default_code = "conflict"
    default_detail = _("This does not fit the present state. Fetch it again and go on from there.")

    def __init__(
        self,
        detail: _StrOrPromise | None = None,
        *,
        code: str | None = None,
        pointer: str | None = None,
        next_step: str | None = None,
    ) -> None:
        super().__init__(detail, code=code, pointer=pointer)
        self.next_step = next_step


class NotAuthenticated(LevelbookError):  # noqa: N818
    """Nobody is known to be asking."""

    default_code = "not_authenticated"
    default_detail = _("Sign in first: send a valid token as 'Authorization: Bearer TOKEN'.")


class Forbidden(LevelbookError):  # noqa: N818
    """The person may see the thing, but not do this with it."""

    default_code = "forbidden"
    default_detail = _("Your roles do not allow this. Ask a manager of the workshop.")


class NotFound(LevelbookError):  # noqa: N818
    """The thing does not exist, or is not to be seen by the person who asked."""

    default_code = "not_found"
    default_detail = _("There is nothing here that you may see. Check the address.")


class StaleVersion(LevelbookError):  # noqa: N818
    """The thing was changed since the version that the client knows."""

    default_code = "stale_version"
    default_detail = _("It was changed since you read it. Fetch it again and repeat your change on the new version.")

    @classmethod
    def raise_unless(cls, *, current: int, expected: Collection[int]) -> None:
        """Call this under the row lock, else two writers can both be right."""
        if current not in expected:
            raise cls


class VersionRequired(LevelbookError):  # noqa: N818
    """A change to something mutable did not say which version it was made for."""

    default_code = "version_required"
    default_detail = _("Say which version you are changing: send the ETag you were given as 'If-Match'.")


class _Temporary(LevelbookError):  # noqa: N818
    """A refusal that ends by itself, after `retry_after_s` seconds."""

    default_retry_after_s: ClassVar[int] = 30

    def __init__(
        self,
        detail: _StrOrPromise | None = None,
        *,
        code: str | None = None,
        retry_after_s: int | None = None,
    ) -> None:
        super().__init__(detail, code=code)
        self.retry_after_s = self.default_retry_after_s if retry_after_s is None else retry_after_s


class TooMany(_Temporary):
    """A limit on attempts or requests was reached."""

    default_code = "too_many_requests"
    default_detail = _("Too many attempts. Wait as long as 'Retry-After' says, then try again.")


class Unavailable(_Temporary):
    """Something that the service stands on does not answer at the moment."""

    default_code = "unavailable"
    default_detail = _("The service cannot do this at the moment. Nothing was stored. Try again shortly.")
    default_retry_after_s = 5


_constraint_messages: dict[str, _StrOrPromise] = {}


def register_constraint_messages(messages: Mapping[str, _StrOrPromise]) -> None:
    """Human messages for database constraints that no model declares (made by migrations in SQL).

    Those that a model declares carry theirs as `violation_error_message`.
    """
    _constraint_messages.update(messages)


def registered_constraint_message(name: str) -> _StrOrPromise | None:
    return _constraint_messages.get(name)

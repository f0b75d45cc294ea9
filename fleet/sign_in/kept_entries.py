"""What was typed into a form that was sent after the session had ended: kept until the same person is back.

It is kept in the session in which they then sign in, encrypted, for an hour. Whose the browser was is known from a
signed cookie, which outlives the session and opens nothing.
"""

from __future__ import annotations

import json
import re
from datetime import timedelta
from typing import Any, Final, TypeVar

from cryptography.fernet import InvalidToken
from django import forms
from django.conf import settings
from django.http import HttpRequest, HttpResponse, QueryDict

from .ciphers import cipher

PURPOSE: Final = "kept_entries"
KEPT_FOR: Final = timedelta(hours=1)
MOST_CHARACTERS: Final = 64_000
LAST_PERSON: Final = "last_person"
"""The cookie that says whose the browser was."""
LAST_PERSON_FOR: Final = timedelta(days=30)
_NOT_KEPT: Final = re.compile(r"csrfmiddlewaretoken|next|.*(password|pin|secret|credential)s?(_.*)?", re.IGNORECASE)
_TYPED_ANEW: Final = (forms.PasswordInput, forms.FileInput)
FormT = TypeVar("FormT", bound=forms.Form)


def remember_person(request: HttpRequest, response: HttpResponse) -> None:
    """After a page was shown to somebody who has signed in."""
    person = str(request.user.pk)
    if _last_person(request) != person:
        response.set_signed_cookie(
            LAST_PERSON,
            person,
            salt=PURPOSE,
            max_age=LAST_PERSON_FOR,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )


def keep_entries(request: HttpRequest) -> bool:
    """Keep what the form holds; False where it is not known whose it is, or it is too much."""
    person = str(request.user.pk) if request.user.is_authenticated else _last_person(request)
    entries = request.POST.copy()
    for name in [name for name in entries if _NOT_KEPT.fullmatch(name)]:
        del entries[name]
    typed = entries.urlencode()
    if person is None or len(typed) > MOST_CHARACTERS:
        return False
    kept = json.dumps({"person": person, "page": request.get_full_path(), "typed": typed})
    request.session[PURPOSE] = cipher(PURPOSE).encrypt(kept.encode()).decode()
    return True


def forget_entries_of_others(request: HttpRequest) -> None:
    """Once somebody has signed in."""
    kept = _kept(request)
    if kept is None or kept["person"] != str(request.user.pk):
        request.session.pop(PURPOSE, None)


def fill_in(request: HttpRequest, form: FormT) -> bool:
    """Put what was kept for this page into its new form, once; False where there is nothing."""
    kept = _kept(request)
    if kept is None or (kept["person"], kept["page"]) != (str(request.user.pk), request.get_full_path()):
        return False
    del request.session[PURPOSE]
    form.initial = {**form.initial, **_typed(form, QueryDict(kept["typed"]))}
    return True


def _typed(form: forms.Form, entries: QueryDict) -> dict[str, Any]:
    found = {}
    for name, field in form.fields.items():
        sent_as = form.add_prefix(name)
        is_there = not field.widget.value_omitted_from_data(entries, {}, sent_as)
        if is_there and not isinstance(field.widget, _TYPED_ANEW):
            found[name] = field.widget.value_from_datadict(entries, {}, sent_as)
    return found


def _kept(request: HttpRequest) -> dict[str, str] | None:
    try:
        plain = cipher(PURPOSE).decrypt(request.session.get(PURPOSE, "").encode(), ttl=int(KEPT_FOR.total_seconds()))
    except InvalidToken:
        return None
    kept: dict[str, str] = json.loads(plain)
    return kept


def _last_person(request: HttpRequest) -> str | None:
    person: str | None = request.get_signed_cookie(LAST_PERSON, None, salt=PURPOSE, max_age=LAST_PERSON_FOR)
    return person

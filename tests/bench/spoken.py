"""What the bench app's texts are in another language: the compiled catalogues of the app and of the service."""

from __future__ import annotations

import gettext
from functools import cache
from itertools import product

from deploy.languages import LOCALE_PATHS

DOMAINS = ("djangojs", "django")
"""What the app itself says, and what the service tells it."""


@cache
def catalogue(language: str) -> dict[str, str]:
    """By the English text; of a text with two forms, each by its own. Nothing for the language of the source."""
    found: dict[str, str] = {}
    for domain, folder in product(DOMAINS, LOCALE_PATHS):
        path = folder / language / "LC_MESSAGES" / f"{domain}.mo"
        if path.exists():
            with path.open("rb") as file:
                found = {**_of(gettext.GNUTranslations(file)), **found}
    return found


def _of(translations: gettext.GNUTranslations) -> dict[str, str]:
    entries = translations._catalog  # type: ignore[attr-defined]  # there is no public way to all of them
    one_form = {key: text for key, text in entries.items() if isinstance(key, str) and key}
    first_of_two = {key[0]: text for key, text in entries.items() if isinstance(key, tuple)}
    return {**first_of_two, **one_form}

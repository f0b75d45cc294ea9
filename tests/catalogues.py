"""Catalogues of translated texts, beside what gettext's own tools find in the sources."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polib  # type: ignore[import-untyped]
import pytest

from deploy.embedded.folder import CHECKOUT
from deploy.languages import LANGUAGES, LOCALE_PATHS

if TYPE_CHECKING:
    from collections.abc import Iterator

APPS: Final = [path.parent.name for path in LOCALE_PATHS]
DOMAINS: Final = ("django", "djangojs")
"""Texts of Python and templates; texts of the modules that a browser runs."""
TRANSLATED_INTO: Final = [code for code, _name in LANGUAGES if code != "en"]
ONLY_DESCRIBED: Final = "OpenAPI: stays English"
"""Beside a text that only the description of the interface shows, which is in English for everybody."""
_PLACEHOLDER: Final = re.compile(r"%\(\w+\)[sd]|%%|%[sd]|\{\w*\}")


def path_of(app: str, language: str, domain: str = "django") -> Path:
    return CHECKOUT / app / "locale" / language / "LC_MESSAGES" / f"{domain}.po"


def entries_of(path: Path) -> list[Any]:
    """All that count; none where there is no catalogue."""
    return [entry for entry in polib.pofile(str(path)) if not entry.obsolete] if path.exists() else []


def catalogue_of(app: str, language: str) -> dict[str, str]:
    """The translation of every text without plural."""
    return {entry.msgid: entry.msgstr for entry in entries_of(path_of(app, language)) if entry.msgstr}


def only_described(app: str, language: str) -> list[str]:
    return [entry.msgid for entry in entries_of(path_of(app, language)) if is_only_described(entry)]


def is_only_described(entry: Any) -> bool:
    return ONLY_DESCRIBED in entry.tcomment and not entry.msgstr


def brought_up_to_date(app: str, language: str, domain: str, into: Path) -> list[Any]:
    """The catalogue as Django's command makes it of the sources as they are now; the sources are copied for it."""
    if shutil.which("xgettext") is None:
        pytest.fail("These tests need GNU gettext. Install it (Debian: apt-get install gettext).")
    shutil.copytree(CHECKOUT / app, into / app, ignore=shutil.ignore_patterns("__pycache__", "migrations"))
    (into / app / "locale").mkdir(exist_ok=True)
    command = ["makemessages", "--locale", language, "--domain", domain, "--no-location", "--no-wrap"]
    surroundings = {name: value for name, value in os.environ.items() if name != "DJANGO_SETTINGS_MODULE"}
    # Without -P the app's own packages would stand in for those of the same name in Python's library.
    subprocess.run(
        [sys.executable, "-P", "-m", "django", *command],
        cwd=into / app,
        env=surroundings,
        check=True,
        capture_output=True,
    )
    return entries_of(into / app / path_of(app, language, domain).relative_to(CHECKOUT / app))


def faults(given: list[Any], up_to_date: list[Any]) -> list[str]:
    """What a catalogue lacks, has too much, or says wrongly."""
    texts, wanted = {_key(entry) for entry in given}, {_key(entry) for entry in up_to_date}
    return [
        *(f"not in the catalogue: {text}" for text in sorted(wanted - texts)),
        *(f"no longer in the sources: {text}" for text in sorted(texts - wanted)),
        *(fault for entry in given for fault in _faults_of(entry)),
    ]


def _key(entry: Any) -> tuple[str, str, str]:
    return entry.msgctxt or "", entry.msgid, entry.msgid_plural


def _faults_of(entry: Any) -> Iterator[str]:
    if entry.fuzzy:
        yield f"fuzzy: {entry.msgid}"
    elif not entry.translated() and not is_only_described(entry):
        yield f"not translated: {entry.msgid}"
    for text, translated in _pairs(entry):
        if translated and _placeholders(text) != _placeholders(translated):
            yield f"other placeholders: {translated}"
        if translated and _edges(text) != _edges(translated):
            yield f"other spaces or line breaks at its ends: {translated}"


def _pairs(entry: Any) -> list[tuple[str, str]]:
    if not entry.msgid_plural:
        return [(entry.msgid, entry.msgstr)]
    forms = entry.msgstr_plural.items()
    return [(entry.msgid_plural if form else entry.msgid, translated) for form, translated in forms]


def _placeholders(text: str) -> list[str]:
    return sorted(_PLACEHOLDER.findall(text))


def _edges(text: str) -> tuple[str, str]:
    return text[: len(text) - len(text.lstrip())], text[len(text.rstrip()) :]


def compiled(entries: list[Any]) -> dict[tuple[Any, ...], Any]:
    """What is looked up when a page is made, by context and text."""
    return {
        _key(entry): entry.msgstr_plural or entry.msgstr
        for entry in entries
        if (entry.msgstr or entry.msgstr_plural) and "fuzzy" not in getattr(entry, "flags", ())
    }

"""Nothing in a page needs an inline style or script, and no sentence lacks its German."""

from __future__ import annotations

import re
from pathlib import Path

import polib  # type: ignore[import-untyped]
import pytest

ROOT = Path(__file__).resolve().parents[3]
TEMPLATES = {
    path.relative_to(ROOT): path.read_text()
    for app in ("fleet", "calibration", "reports", "deploy")
    for path in (ROOT / app).glob("**/templates/**/*.*")
}
INLINE = re.compile(
    r"\sstyle\s*=|<style\b|<script\b(?![^>]*\s(?:src=|type=\"application/json\"))|\son[a-z]+\s*=|javascript:|\bsrcdoc\s*=",
    re.IGNORECASE,
)
SENTENCE = re.compile(
    r"""\{% (?:translate|confirm|notice "[a-z]+") (?:_\()?"(.+?)"|[ =]_\("(.+?)"\)|"""
    r"""\{% blocktranslate[^%]*%\}(.+?)\{% (?:plural|endblocktranslate) %\}"""
)
OURS = ("fleet/templates/looks/",)


def test_templates_have_nothing_that_a_strict_policy_refuses() -> None:
    assert len(TEMPLATES) > 25
    assert {str(path): found for path, text in TEMPLATES.items() if (found := INLINE.findall(text))} == {}


@pytest.mark.parametrize(
    "seeded",
    [
        '<p style="color: red">',
        "<style>p {}</style>",
        "<script>alert(1)</script>",
        '<script type="module">let a;</script>',
        '<button type="button" onclick="go()">',
        '<a href="javascript:go()">',
    ],
)
def test_each_kind_of_inline_code_would_be_found(seeded: str) -> None:
    assert INLINE.search(seeded)
    assert not INLINE.search('<script type="module" src="/static/looks/preferences.js"></script>')
    assert not INLINE.search('<script type="application/json">{}</script>'), "data, which no browser runs"


def sentences() -> set[str]:
    ours = [text for path, text in TEMPLATES.items() if path.as_posix().startswith(OURS)]
    found = {next(filter(None, groups)) for text in ours for groups in SENTENCE.findall(text)}
    return {re.sub(r"\{\{ (\w+) \}\}", r"%(\1)s", sentence.replace("%", "%%")) for sentence in found}


def compiled(catalogue: Path) -> dict[str, str]:
    """By the English; of a text with a plural its first form."""
    entries = polib.mofile(str(catalogue.with_suffix(".mo"))).translated_entries()
    return {key(entry): entry.msgstr or entry.msgstr_plural[0] for entry in entries}


def written(catalogue: Path) -> dict[str, str]:
    """Entries with one form."""
    entries = polib.pofile(str(catalogue)).translated_entries()
    return {key(entry): entry.msgstr for entry in entries if entry.msgstr}


def key(entry: polib.POEntry | polib.MOEntry) -> str:
    """The English, with what tells two of the same apart."""
    return f"{entry.msgctxt}: {entry.msgid}" if entry.msgctxt else str(entry.msgid)


GERMAN = ROOT / "fleet/locale/de/LC_MESSAGES/django.po"


def test_what_is_compiled_is_what_is_written() -> None:
    assert len(written(GERMAN)) > 150
    assert written(GERMAN).items() <= compiled(GERMAN).items()


def test_every_sentence_of_the_looks_has_its_german() -> None:
    known = set(compiled(GERMAN))
    assert len(sentences()) > 80
    assert sentences() - known == set()
    assert "A sentence nobody wrote" not in known

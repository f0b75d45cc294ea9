"""Every language that is offered is complete: each text of the sources has its translation, and says the same."""

from __future__ import annotations

import json
from collections import defaultdict
from copy import deepcopy
from pathlib import Path
from typing import Any

import polib  # type: ignore[import-untyped]
import pytest

from fleet.api.openapi import EnglishGenerator
from tests.catalogues import (
    APPS,
    DOMAINS,
    TRANSLATED_INTO,
    brought_up_to_date,
    compiled,
    entries_of,
    faults,
    only_described,
    path_of,
)

in_every_language = pytest.mark.parametrize("language", TRANSLATED_INTO)
of_every_app = pytest.mark.parametrize("app", APPS)
in_every_domain = pytest.mark.parametrize("domain", DOMAINS)


@in_every_language
@of_every_app
@in_every_domain
class TestCatalogue:
    def test_it_has_every_text_of_the_sources_translated(
        self, app: str, domain: str, language: str, tmp_path: Path
    ) -> None:
        up_to_date = brought_up_to_date(app, language, domain, tmp_path)
        assert faults(entries_of(path_of(app, language, domain)), up_to_date) == []

    def test_what_is_looked_up_is_what_was_written(self, app: str, domain: str, language: str) -> None:
        path = path_of(app, language, domain)
        read = polib.mofile(str(path.with_suffix(".mo"))) if path.exists() else []
        assert compiled(read) == compiled(entries_of(path))


@in_every_language
def test_only_the_description_of_the_interface_shows_what_stays_english(language: str) -> None:
    description = EnglishGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    shown = json.dumps(description, ensure_ascii=False, default=str)
    left = [text for app in APPS for text in only_described(app, language)]
    assert [text for text in left if json.dumps(text, ensure_ascii=False)[1:-1] not in shown] == []


@in_every_language
@in_every_domain
def test_a_text_of_several_apps_has_one_translation(language: str, domain: str) -> None:
    """Django puts the catalogues together, and the first app's translation is shown for all."""
    translations = defaultdict(set)
    for app in APPS:
        for key, translated in compiled(entries_of(path_of(app, language, domain))).items():
            translations[key].add(str(translated))
    assert {key[1]: sorted(found) for key, found in translations.items() if len(found) > 1} == {}


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"msgid": "Another text"}, "not in the catalogue"),
        ({"msgid": "Another text"}, "no longer in the sources"),
        ({"msgstr": ""}, "not translated"),
        ({"flags": ["fuzzy"]}, "fuzzy"),
        ({"msgstr": "ohne Angaben"}, "other placeholders"),
        ({"msgstr": "%(anders)s"}, "other placeholders"),
        ({"msgstr_plural": {0: "%(n)s", 1: "ohne"}, "msgid_plural": "%(n)s"}, "other placeholders"),
        ({"msgid": "Another text "}, "other spaces"),
    ],
)
def test_a_fault_of_each_kind_would_be_found(change: dict[str, Any], found: str) -> None:
    sound = polib.POEntry(msgid="%(n)s of %(total)s", msgstr="%(n)s von %(total)s")
    assert faults([sound], [sound]) == []
    faulty = deepcopy(sound)
    for name, value in change.items():
        setattr(faulty, name, value)
    assert any(fault.startswith(found) for fault in faults([faulty], [sound]))

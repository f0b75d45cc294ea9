"""Scripts and style sheets as browsers get them: shorter, and token by token what was written."""

from __future__ import annotations

import re
import warnings
from pathlib import Path
from typing import Any

import brotli
import pytest
from csp.middleware import CSPMiddleware
from django.contrib.staticfiles import finders
from django.core.files.base import ContentFile
from django.http import HttpResponse
from django.test import RequestFactory

from fleet.static_files import (
    QuickCompressor,
    ScriptError,
    SlimStaticFiles,
    StaticFilesMiddleware,
    delivered,
    slim,
    slim_style,
    source_of,
    tokens,
)

COMMENT = re.compile(rb"/\*.*?\*/", re.DOTALL)
OWN = ("bench/", "looks/", "fleet/", "reports/")


def own_scripts() -> dict[str, bytes]:
    found = [name for finder in finders.get_finders() for name, _storage in finder.list([])]
    return {name: source_of(name).read_bytes() for name in found if name.startswith(OWN) and name.endswith(".js")}


def words(script: bytes) -> list[bytes]:
    return [script[token.start_byte : token.end_byte] for token in tokens(script)]


def test_no_script_of_ours_loses_or_joins_a_token_and_all_become_shorter() -> None:
    scripts = own_scripts()
    assert len(scripts) > 90
    assert not [name for name, script in scripts.items() if words(slim(script)) != words(script)]
    assert sum(map(len, map(slim, scripts.values()))) < 0.8 * sum(map(len, scripts.values()))


def test_the_check_itself_sees_joined_and_lost_tokens() -> None:
    script = b"const a = 1;\nlet b = a;\n"
    assert words(script.replace(b"let b", b"letb")) != words(script)
    assert words(script.replace(b"1", b"2")) != words(script)


@pytest.mark.parametrize(
    ("written", "delivered_as"),
    [
        (b"/** Says so.\n * @param {string} a */\nexport const f = (a) => a; // gone", b"export const f=(a)=>a;"),
        (b"const a=`x   ${b ? `in   ner // kept` : '  '}   /* kept */`;", None),
        (b"const pattern=/a \\/ {2}\\/\\/ [/*]/g;", None),
        (b'const text="two  blanks // kept";', None),
        (b"const a = b /* told\n   why */\n(c)", b"const a=b\n(c)"),
        (b"a = b + +c - -d / /e/", b"a=b+ +c- -d/ /e/"),
        (b"const \xc3\xa4 = 1 .toFixed() ? .5 : a in c", b"const \xc3\xa4=1 .toFixed()?.5:a in c"),
        (b"if (a) {\n\n    b();\n}\nc()\nd()", b"if(a){b();}\nc()\nd()"),
        (b"f(\n  a,\n  [b, c],\n);", b"f(a,[b,c],);"),
    ],
)
def test_what_means_something_stays(written: bytes, delivered_as: bytes | None) -> None:
    assert slim(written) == (delivered_as or written)


def test_what_is_no_script_is_refused() -> None:
    with pytest.raises(ScriptError, match="is no script"):
        slim(b"const = ;")


def own_styles() -> dict[str, bytes]:
    found = [name for finder in finders.get_finders() for name, _storage in finder.list([])]
    return {name: source_of(name).read_bytes() for name in found if name.startswith(OWN) and name.endswith(".css")}


@pytest.mark.parametrize(
    ("written", "delivered_as"),
    [
        (b"/* told */\n.a  .b,\n.c {\n  margin: 0 1px; /* told */\n}\n", b".a .b,.c{margin: 0 1px;}"),
        (b'.a::before {\n  content: "x  { /* y */ \\" ;  ";\n}', b'.a::before{content: "x  { /* y */ \\" ;  ";}'),
        (b"@media (a: b) and (c) {\n  .d :hover { width: calc(1px + 2px) }\n}", None),
    ],
)
def test_of_a_style_sheet_stays_what_means_something(written: bytes, delivered_as: bytes | None) -> None:
    expected = b"@media (a: b) and (c){.d :hover{width: calc(1px + 2px)}}" if delivered_as is None else delivered_as
    assert slim_style(written) == expected


def test_all_style_sheets_of_ours_become_shorter_and_lose_no_rule() -> None:
    sheets = own_styles()
    assert len(sheets) >= 10
    for name, sheet in sheets.items():
        slimmed = slim_style(sheet)
        assert len(slimmed) < 0.85 * len(sheet), name
        assert b"/*" not in slimmed
        assert b"".join(slimmed.split()) == b"".join(COMMENT.sub(b"", sheet).split()), name


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("bench/a.js", b"b();"),
        ("other/a.js", b"b(); /* told */"),
        ("bench/a.css", b"b();"),
        ("other/a.css", b"b(); /* told */"),
        ("bench/a.txt", b"b(); /* told */"),
    ],
)
def test_only_what_lies_in_the_folders_named_becomes_slim(tmp_path: Path, name: str, kept: bytes) -> None:
    storage = SlimStaticFiles(slimmed=["bench/"], location=tmp_path, base_url="/static/")
    storage.save(name, ContentFile(b"b(); /* told */"))
    assert (tmp_path / name).read_bytes() == kept


def test_what_is_collected_under_a_name_with_a_hash_is_what_lies_under_the_plain_one(tmp_path: Path) -> None:
    """Pages name files by their hash, the tablet's app plainly; style sheets point to others by their hash."""
    storage = SlimStaticFiles(location=tmp_path, base_url="/static/", slimmed=OWN)
    files = {}
    for finder in finders.get_finders():
        for name, source in finder.list([]):
            if name.startswith(OWN):
                with source.open(name) as file:
                    storage.save(name, file)
                files[name] = (storage, name)
    processed = [(name, each) for name, each, _is_processed in storage.post_process(files)]
    hashed = {name: each for name, each in processed if each != name and not each.endswith((".br", ".gz"))}
    assert hashed.keys() >= {"looks/base.css", "looks/error-summary.js", "looks/icon.svg"}
    for name, each in hashed.items():
        plain, other = ((tmp_path / one).read_bytes() for one in (name, each))
        assert other, each
        assert plain == other or (name.endswith(".css") and b"url(" in plain), each


def test_what_is_delivered_is_what_was_collected_or_else_the_source(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    name = "bench/app/main.js"
    assert delivered(name) == source_of(name).read_bytes()
    storage = SlimStaticFiles(slimmed=["bench/"], location=tmp_path, base_url="/static/")
    storage.save(name, ContentFile(source_of(name).read_bytes()))
    monkeypatch.setattr("fleet.static_files.staticfiles_storage", storage)
    assert delivered(name) == slim(source_of(name).read_bytes())


def test_a_missing_file_is_named() -> None:
    with pytest.raises(FileNotFoundError, match=r"bench/none\.js is missing"):
        source_of("bench/none.js")


def test_small_files_are_compressed_as_far_as_possible_and_large_ones_quickly() -> None:
    small, large = own_scripts()["bench/app/app.js"], b"".join(own_scripts().values())
    assert QuickCompressor.compress_brotli(small) == brotli.compress(small, quality=11)
    assert QuickCompressor.compress_brotli(large) == brotli.compress(large, quality=5)
    assert brotli.decompress(QuickCompressor.compress_brotli(large)) == large


@pytest.mark.parametrize(
    ("name", "is_under_a_policy"),
    [("a.js", False), ("a.css", False), ("a.png", False), ("a.svg", True), ("a.html", True)],
)
def test_what_may_be_shown_as_a_page_comes_with_the_policy_of_contents(
    name: str, is_under_a_policy: bool, tmp_path: Path, settings: Any
) -> None:
    (tmp_path / name).write_bytes(b"content")
    settings.STATIC_ROOT = tmp_path
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        serve: Any = CSPMiddleware(StaticFilesMiddleware(lambda _request: HttpResponse(status=404)))
    answer = serve(RequestFactory().get(f"/static/{name}"))
    assert answer.status_code == 200
    assert ("Content-Security-Policy" in answer) is is_under_a_policy
    answer.file_to_stream.close()

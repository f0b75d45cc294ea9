"""What a tablet fetches to open the app: its page, its files with their hashes, the worker's list."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import brotli
import pytest
from django.test import Client

from calibration.bench import assets, views
from deploy.embedded.folder import CHECKOUT
from fleet.static_files import SLIMMING, QuickCompressor, delivered

pytestmark = pytest.mark.django_db

STATIC = "/static/"
FOLDERS = (CHECKOUT / "calibration/static", CHECKOUT / "fleet/static")
IMPORT = re.compile(r'^(?:import|export)\b[^;"]*?"(\.[^"]+)";', re.MULTILINE)
FIRST_LOAD_BYTES = 100_000
HEAD_BYTES = 60
"""Of each answer, over HTTP/2, where a head names only what the head before it did not."""


class Page(HTMLParser):
    """Elements of the page with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append((self.elements[-1][0], data.strip()))


def file_at(url: str) -> Path:
    """Where the file of an address lies."""
    name = url.removeprefix(STATIC)
    (path,) = [folder / name for folder in FOLDERS if (folder / name).exists()]
    return path


def kept_by_the_worker() -> dict[str, Any]:
    source = Client().get("/bench/service-worker.js").content.decode()
    found = re.match(r"self\.KEPT = (\{.*?\});\n", source)
    assert found, source[:200]
    kept: dict[str, Any] = json.loads(found[1])
    return kept


def files_of_the_worker() -> set[str]:
    kept = kept_by_the_worker()
    return {each["url"] for each in (*kept["assets"], *kept["parcel"]["files"])}


def test_the_page_has_nothing_inline_and_nothing_from_elsewhere() -> None:
    answer = Client().get("/bench/")
    page = Page(answer.content.decode())
    for tag, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on") or name == "style"], (tag, attributes)
        for name in ("src", "href"):
            assert (attributes.get(name) or "/").startswith("/"), attributes
    assert not [text for tag, text in page.texts if tag in ("script", "style")]
    policy = answer["Content-Security-Policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "no-cache" in answer["Cache-Control"]


def test_the_worker_keeps_every_file_that_the_page_and_the_modules_ask_for() -> None:
    kept = files_of_the_worker()
    page = Page(Client().get("/bench/").content.decode())
    asked = {url for _tag, each in page.elements if (url := each.get("src") or each.get("href")) and STATIC in url}
    assert asked <= kept
    for url in sorted(each for each in kept if each.startswith(STATIC) and each.endswith(".js")):
        path = file_at(url)
        for target in IMPORT.findall(path.read_text()):
            imported = STATIC + _beside(url, target)
            assert imported in kept, f"{path.name} imports {target}, which the worker does not keep"


def _beside(url: str, target: str) -> str:
    parts = url.removeprefix(STATIC).split("/")[:-1]
    for step in target.split("/"):
        if step == "..":
            parts.pop()
        elif step != ".":
            parts.append(step)
    return "/".join(parts)


def test_the_worker_s_hashes_are_those_of_the_files_as_served() -> None:
    for each in kept_by_the_worker()["assets"]:
        digest = base64.b64encode(hashlib.sha256(file_at(each["url"]).read_bytes()).digest()).decode()
        assert each["integrity"] == f"sha256-{digest}", each["url"]


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_parcel_holds_the_modules_of_its_list_one_after_the_other_and_then_the_texts(language: str) -> None:
    """The list may be in another language than the parcel that is asked for by it."""
    parcel = kept_by_the_worker()["parcel"]
    client = Client(headers={"Accept-Language": language})
    content = client.get(parcel["url"]).content
    modules = content[: sum(each["size"] for each in parcel["files"])]
    assert parcel["integrity"] == f"sha256-{base64.b64encode(hashlib.sha256(modules).digest()).decode()}"
    assert {each["url"] for each in parcel["files"]}.isdisjoint(each["url"] for each in kept_by_the_worker()["assets"])
    assert len(parcel["files"]) > 50
    for each in parcel["files"]:
        module, content = content[: each["size"]], content[each["size"] :]
        assert module == file_at(each["url"]).read_bytes(), each["url"]
    assert content == client.get(parcel["rest"]).content


def test_another_file_or_another_page_is_another_version(monkeypatch: pytest.MonkeyPatch) -> None:
    before = kept_by_the_worker()["version"]
    assert kept_by_the_worker()["version"] == before
    with monkeypatch.context() as patch:
        assets.assets.cache_clear()
        patch.setattr(assets, "delivered", lambda name: delivered(name) + b" " * (name == assets.START))
        assert kept_by_the_worker()["version"] != before
    assets.assets.cache_clear()
    with monkeypatch.context() as patch:
        patch.setattr("calibration.bench.views._texts", lambda _request: b"another catalog")
        assert kept_by_the_worker()["version"] != before
    with monkeypatch.context() as patch:
        patch.setattr("calibration.bench.views._later_texts", lambda _request: b"another catalog")
        assert kept_by_the_worker()["version"] != before
    monkeypatch.setattr("calibration.bench.views.styles", lambda: b"other looks")
    assert kept_by_the_worker()["version"] != before


def test_the_app_can_be_installed() -> None:
    answer = Client().get("/bench/manifest.webmanifest")
    assert answer["Content-Type"] == "application/manifest+json"
    manifest = answer.json()
    assert (manifest["start_url"], manifest["scope"], manifest["display"]) == ("/bench/", "/bench/", "standalone")
    assert {"192x192", "512x512"} <= {icon["sizes"] for icon in manifest["icons"]}
    for icon in manifest["icons"]:
        assert file_at(icon["src"]).stat().st_size > 0


def test_the_catalog_of_texts_is_a_script() -> None:
    answer = Client().get("/bench/texts.js")
    assert answer["Content-Type"].startswith("text/javascript")
    assert b"gettext" in answer.content


def test_the_early_modules_find_their_texts_in_the_early_catalog_and_no_text_is_in_both() -> None:
    client = Client(headers={"accept-language": "de"})
    early, later = (client.get(f"/bench/{name}.js").content.decode() for name in ("texts", "later-texts"))
    texts = json.loads(later.removeprefix("Object.assign(django.catalog, ").removesuffix(");"))
    assert len(texts) > 500
    parts = parts_of_the_app()
    said = {
        json.loads(text)
        for url in (*parts["first"], *parts["app"])
        for text in re.findall(r"""\bn?gettext\(\s*("(?:[^"\\]|\\.)*")""", file_at(url).read_text())
    }
    assert "Enrol this tablet" in said
    assert said.isdisjoint(texts)
    assert not [text for text in said if f"{json.dumps(text)}: " not in early]
    assert not [text for text in texts if f"{json.dumps(text)}: " in early]


def parts_of_the_app() -> dict[str, list[str]]:
    """The modules as the page names them: those of the first screen, then part by part."""
    elements = [each for _tag, each in Page(Client().get("/bench/").content.decode()).elements]
    first = [str(each["href"]) for each in elements if each.get("rel") == "modulepreload"]
    names = {str(each["name"]): str(each["content"]).split() for each in elements if "name" in each}
    return {"first": first, **{name: names[f"modules-{name}"] for name in ("app", "shell", "job")}}


def test_the_page_names_each_module_once_in_the_part_that_first_needs_it() -> None:
    parts = parts_of_the_app()
    named = [url for urls in parts.values() for url in urls]
    assert len(named) == len(set(named))
    modules = {url for url in files_of_the_worker() if url.startswith(STATIC) and url.endswith(".js")}
    of_types_only = {url for url in modules if "Types only." in file_at(url).read_text()[:200]}
    assert set(named) == modules - of_types_only
    for part, urls in parts.items():
        there = {url for name in list(parts)[: list(parts).index(part) + 1] for url in parts[name]}
        asked = {STATIC + _beside(url, to) for url in urls for to in IMPORT.findall(file_at(url).read_text())}
        assert asked <= there, part


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_first_load_is_small(language: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that a tablet fetches until it can do without network, as it is served, compressed; the budget is the
    design's."""
    for module in (assets, views):
        monkeypatch.setattr(module, "delivered", as_collected)
    client = Client(headers={"accept-encoding": "gzip, deflate, br", "accept-language": language})
    kept = kept_by_the_worker()
    made = [client.get(path) for path in (*kept["pages"], kept["parcel"]["url"], "/bench/service-worker.js")]
    assert {each["Content-Encoding"] for each in made} == {"br"}
    files = [as_served(each["url"]) for each in kept["assets"]]
    size = sum(len(each.content) for each in made) + sum(map(len, files)) + HEAD_BYTES * (len(made) + len(files))
    assert size < FIRST_LOAD_BYTES, f"{size} bytes in {len(made) + len(files)} files"


def as_collected(name: str) -> bytes:
    content = delivered(name)
    return SLIMMING.get(Path(name).suffix, bytes)(content)


def as_served(url: str) -> bytes:
    content = as_collected(url.removeprefix(STATIC))
    return content if url.endswith(".png") else QuickCompressor.compress_brotli(content)


def test_whoever_does_not_offer_brotli_gets_gzip() -> None:
    for path in ("/bench/", "/bench/texts.js", "/bench/looks.css", "/bench/parcel"):
        contents = {}
        for offered in ("gzip, deflate", "gzip, deflate, br", "gzip, br;q=0", "identity"):
            answer = Client(headers={"accept-encoding": offered}).get(path)
            assert "Accept-Encoding" in answer["Vary"]
            contents[answer.get("Content-Encoding"), offered] = unpacked(answer)
        assert [encoding for encoding, _offered in contents] == ["gzip", "br", "gzip", None]
        assert len(set(contents.values())) == 1, path


def unpacked(answer: Any) -> bytes:
    unpack = {"gzip": gzip.decompress, "br": brotli.decompress}.get(answer.get("Content-Encoding", ""), bytes)
    return bytes(unpack(answer.content))


@pytest.mark.parametrize(
    "path",
    [
        *("/bench/", "/bench/texts.js", "/bench/later-texts.js", "/bench/looks.css"),
        *("/bench/parcel", "/bench/manifest.webmanifest"),
    ],
)
def test_what_did_not_change_is_not_sent_again(path: str) -> None:
    client = Client(headers={"accept-encoding": "gzip"})
    first = client.get(path)
    again = client.get(path, headers={"if-none-match": first["ETag"]})
    assert (first.status_code, again.status_code, again.content) == (200, 304, b"")
    assert again["Content-Security-Policy"] == first["Content-Security-Policy"]
    assert "no-cache" in again["Cache-Control"]
    assert client.get(path, headers={"if-none-match": '"another"'}).status_code == 200


def test_modules_are_of_the_size_that_can_be_read() -> None:
    for folder in ("app", "offline"):
        for path in (CHECKOUT / "calibration/static/bench" / folder).rglob("*.js"):
            assert path.read_text().count("\n") <= 400, path.name

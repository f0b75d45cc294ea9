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

import pytest
from django.test import Client

from calibration.bench import assets
from deploy.embedded.folder import CHECKOUT

pytestmark = pytest.mark.django_db

STATIC = "/static/"
FOLDERS = (CHECKOUT / "calibration/static", CHECKOUT / "fleet/static")
IMPORT = re.compile(r'^(?:import|export)\b[^;"]*?"(\.[^"]+)";', re.MULTILINE)
FIRST_LOAD_BYTES = 100_000


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


@pytest.fixture(autouse=True)
def files_read_anew() -> None:
    assets.assets.cache_clear()


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
    kept = {each["url"] for each in kept_by_the_worker()["assets"]}
    page = Page(Client().get("/bench/").content.decode())
    asked = {url for _tag, each in page.elements if (url := each.get("src") or each.get("href")) and STATIC in url}
    assert asked <= kept
    for url in sorted(each for each in kept if each.endswith(".js")):
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


def test_another_file_or_another_page_is_another_version(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    before = kept_by_the_worker()["version"]
    assert kept_by_the_worker()["version"] == before
    changed = tmp_path / "main.js"
    changed.write_text(assets.file_of(assets.START).read_text() + "\n// later\n")
    with monkeypatch.context() as patch:
        assets.assets.cache_clear()
        unchanged = assets.file_of
        patch.setattr(assets, "file_of", lambda name: changed if name == assets.START else unchanged(name))
        assert kept_by_the_worker()["version"] != before
    assets.assets.cache_clear()
    monkeypatch.setattr("calibration.bench.views._texts", lambda _request: b"another catalog")
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


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_first_load_is_small(language: str) -> None:
    """As whitenoise serves it, compressed; the budget is the design's."""
    client = Client(headers={"Accept-Language": language})
    page = client.get("/bench/")
    texts = client.get("/bench/texts.js")
    asked = {
        url
        for tag, each in Page(page.content.decode()).elements
        if (url := each.get("src") or each.get("href")) and STATIC in url and each.get("rel") != "manifest"
    }
    contents = [page.content, texts.content, *(file_at(url).read_bytes() for url in asked)]
    size = sum(len(gzip.compress(content)) for content in contents)
    assert size < FIRST_LOAD_BYTES, f"{size} bytes in {len(contents)} files"


def test_modules_are_of_the_size_that_can_be_read() -> None:
    for folder in ("app", "offline"):
        for path in (CHECKOUT / "calibration/static/bench" / folder).rglob("*.js"):
            assert path.read_text().count("\n") <= 400, path.name

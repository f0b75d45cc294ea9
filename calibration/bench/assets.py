"""The files of the bench app with their hashes: what a tablet keeps to open the app without network."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from posixpath import normpath
from typing import Final

from django.conf import settings
from django.contrib.staticfiles import finders

from fleet.static_files import delivered, source_of

LOOKS: Final = (
    "looks/tokens.css",
    "looks/base.css",
    "looks/forms.css",
    "looks/parts.css",
    "looks/tables.css",
    "looks/figures.css",
    "looks/bench.css",
)
OF_THE_LOOKS: Final = ("looks/tolerance-bar.js",)
ICON: Final = "looks/icon.svg"
"""Beside it the manifest names pictures for installing the app, which takes the network in any case."""
FOLDER: Final = "bench/"
START: Final = "bench/app/main.js"
PARTS: Final = {"app": "bench/app/rest.js", "shell": "bench/app/shell.js", "job": "bench/app/screens/job/index.js"}
"""What the app fetches after its first screen, in this order: by name, the module that each begins with."""
IN_THE_PARCEL: Final = ("shell", "job")
"""A worker that is being installed gets these parts in one piece, which is a third smaller than file by file."""
NOT_OF_THE_APP: Final = ("bench/service-worker.js",)
"""The browser keeps the worker itself, and asks for it anew."""

_IMPORT: Final = re.compile(r'^(?:import|export)\b[^;"]*?"(\.[^"]+)";', re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Asset:
    """A file as the browser asks for it, and as it must be."""

    name: str
    sha256: bytes
    size: int

    @property
    def url(self) -> str:
        return address_of(self.name)

    @property
    def integrity(self) -> str:
        return integrity(self.sha256)


def integrity(sha256: bytes) -> str:
    """As in Subresource Integrity."""
    return f"sha256-{base64.b64encode(sha256).decode()}"


def address_of(name: str) -> str:
    """Without a hash in it: modules import one another by their plain names, and the worker's list has the hashes."""
    return f"{settings.STATIC_URL}{name}"


@cache
def assets() -> tuple[Asset, ...]:
    """All files of the app. They change with the release only, hence are read once in a process."""
    names = sorted({ICON, *OF_THE_LOOKS, *_names_of_the_app(".js")})
    return tuple(_asset(name, delivered(name)) for name in names)


def _asset(name: str, content: bytes) -> Asset:
    return Asset(name, hashlib.sha256(content).digest(), len(content))


@cache
def styles() -> bytes:
    """The looks that all pages share, then the app's own, as one file: a slow network takes its time for each."""
    names = [*LOOKS, *sorted(_names_of_the_app(".css"))]
    return b"\n".join(delivered(name) for name in names)


@cache
def first_modules() -> list[str]:
    """The addresses of the modules without which the app does not begin; the page names them, so that the browser
    fetches them at once instead of one level of imports after the other."""
    return [address_of(name) for name in sorted(_with_all_it_imports(START))]


@cache
def later_modules() -> dict[str, list[str]]:
    """The same for each later part, without what came before it."""
    there = _with_all_it_imports(START)
    parts: dict[str, list[str]] = {}
    for part, start in PARTS.items():
        names = _with_all_it_imports(start) - there
        there |= names
        parts[part] = [address_of(name) for name in sorted(names)]
    return parts


@cache
def early_sources() -> str:
    """What is written in the modules that are there before a worker or a network brings the others."""
    names = _with_all_it_imports(START) | _with_all_it_imports(PARTS["app"])
    return "\n".join(source_of(name).read_text() for name in sorted(names))


@cache
def parcel() -> tuple[Asset, ...]:
    """The modules of these parts, in the order in which they lie in the parcel."""
    urls = {url for part in IN_THE_PARCEL for url in later_modules()[part]}
    return tuple(asset for asset in assets() if asset.url in urls)


@cache
def parcel_content() -> bytes:
    """One module after the other, as browsers get them."""
    return b"".join(delivered(asset.name) for asset in parcel())


def _with_all_it_imports(start: str) -> set[str]:
    names: set[str] = set()
    waiting = [start]
    while waiting:
        name = waiting.pop()
        if name not in names:
            names.add(name)
            waiting += [_beside(name, target) for target in _IMPORT.findall(source_of(name).read_text())]
    return names


def _beside(name: str, target: str) -> str:
    """The file that a module means by a relative address."""
    return normpath(f"{name}/../{target}")


def version_of(contents: Iterable[bytes]) -> str:
    """Names the cache on the tablet: another one for every change of any file, or of these contents."""
    digest = hashlib.sha256(json.dumps([[asset.url, asset.integrity] for asset in assets()]).encode())
    for content in contents:
        digest.update(hashlib.sha256(content).digest())
    return digest.hexdigest()[:32]


def _names_of_the_app(ending: str) -> Iterator[str]:
    for finder in finders.get_finders():
        for name, _storage in finder.list([]):
            path = Path(name).as_posix()
            if path.startswith(FOLDER) and path.endswith(ending) and path not in NOT_OF_THE_APP:
                yield path

"""`/bench/`: one page, which needs nobody to be signed in, since the app asks for code and PIN by itself."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import Any, Final

from csp.decorators import csp_update
from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import get_language
from django.utils.translation import gettext as _
from django.views.decorators.cache import cache_control
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import conditional_page, require_safe
from django.views.i18n import JavaScriptCatalog

from fleet.static_files import delivered

from .assets import (
    ICON,
    START,
    address_of,
    assets,
    first_modules,
    integrity,
    later_modules,
    parcel,
    parcel_content,
    styles,
    version_of,
)
from .compression import brotli_page
from .texts import EarlyTexts, LaterTexts

View = Callable[[HttpRequest], HttpResponse]

SCOPE: Final = "/bench/"
WORKER: Final = "bench/service-worker.js"
SCRIPT: Final = "text/javascript; charset=utf-8"
GROUND: Final = "#16222b"
"""Of the icon; what the tablet shows while the app starts."""


def always_asked(view: View) -> View:
    """The browser asks each time, and gets it, compressed, where it is another than before. None of it is secret."""
    wrapped: View = gzip_page(brotli_page(cache_control(no_cache=True)(conditional_page(view))))
    return wrapped


@require_safe
@csp_update({"img-src": ["blob:"]})  # a photo that was just taken is shown before it is sent
@always_asked
def bench(request: HttpRequest) -> HttpResponse:
    return HttpResponse(_page(request))


@require_safe
@always_asked
def texts(request: HttpRequest) -> HttpResponse:
    """The catalog of texts in the reader's language, as far as the first screen needs it."""
    return HttpResponse(_texts(request), content_type=SCRIPT)


@require_safe
@always_asked
def later_texts(request: HttpRequest) -> HttpResponse:
    """The rest of the catalog."""
    return HttpResponse(_later_texts(request), content_type=SCRIPT)


@require_safe
@always_asked
def looks(_request: HttpRequest) -> HttpResponse:
    """All style sheets in one."""
    return HttpResponse(styles(), content_type="text/css; charset=utf-8")


@require_safe
@always_asked
def together(request: HttpRequest) -> HttpResponse:
    """What a worker gets in one piece; its list says where each begins."""
    return HttpResponse(_parcel(request), content_type="application/octet-stream")


@require_safe
@always_asked
def manifest(request: HttpRequest) -> HttpResponse:
    """What a tablet needs to know to install the app."""
    icon = {"src": address_of(ICON), "sizes": "any", "type": "image/svg+xml"}
    pictures = [
        {"src": address_of(f"bench/icons/icon-{size}.png"), "sizes": f"{size}x{size}", "type": "image/png"}
        for size in (192, 512)
    ]
    content = {
        "id": SCOPE,
        "name": _("Levelbook bench"),
        "short_name": "Levelbook",
        "description": _("Measure, set and sign off vehicles in the bay."),
        "lang": get_language(),
        "start_url": SCOPE,
        "scope": SCOPE,
        "display": "standalone",
        "background_color": GROUND,
        "theme_color": GROUND,
        "icons": [icon, *pictures],
    }
    return JsonResponse(content, content_type="application/manifest+json")


@require_safe
@always_asked
def service_worker(request: HttpRequest) -> HttpResponse:
    """The worker, with the list of what it keeps: another file changes the list, and the tablet fetches all anew."""
    unhashed = {
        reverse("bench"): _page(request),
        reverse("bench-texts"): _texts(request),
        reverse("bench-looks"): styles(),
    }
    packed = parcel()
    kept = {
        "version": version_of([*unhashed.values(), _later_texts(request)]),
        "assets": [{"url": each.url, "integrity": each.integrity} for each in assets() if each not in packed],
        "parcel": {
            "url": reverse("bench-parcel"),
            "files": [{"url": each.url, "size": each.size} for each in packed],
            "integrity": integrity(hashlib.sha256(parcel_content()).digest()),
            "rest": reverse("bench-later-texts"),
        },
        "pages": [*unhashed, reverse("bench-manifest")],
    }
    source = delivered(WORKER).decode()
    return HttpResponse(f"self.KEPT = {json.dumps(kept)};\n{source}", content_type=SCRIPT)


def _page(request: HttpRequest) -> bytes:
    values = {
        "modules": first_modules(),
        "parts": later_modules(),
        "start": address_of(START),
        "icon": address_of(ICON),
        "languages": " ".join(code for code, _name in settings.LANGUAGES),
    }
    return render(request, "bench/app.html", values).content


def _texts(request: HttpRequest) -> bytes:
    return _catalog(EarlyTexts, request)


def _later_texts(request: HttpRequest) -> bytes:
    return _catalog(LaterTexts, request)


def _catalog(texts: type[JavaScriptCatalog], request: HttpRequest) -> bytes:
    catalog: Any = texts.as_view(packages=["calibration"])
    content: bytes = catalog(request).content
    return content


def _parcel(request: HttpRequest) -> bytes:
    """The texts beside the modules, in which they stand once more in English, take half the room."""
    return parcel_content() + _later_texts(request)

"""What tablets get of the app's own pages: as small as can be, compressed once, since all get the same few contents."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Final

import brotli
from django.http import HttpRequest, HttpResponse
from django.utils.cache import patch_vary_headers

View = Callable[[HttpRequest], HttpResponse]

CONTENTS: Final = 32
"""More than there are pages in all languages."""
SMALLEST: Final = 200
"""Bytes from which on it is worth it; as Django has it for gzip."""
OFFERS_BROTLI: Final = re.compile(r"\bbr\b(?!;\s*q=0(\.0*)?\s*(,|$))")


def brotli_page(view: View) -> View:
    """Compress what a view answers for browsers that understand it: they say so over HTTPS, and on this machine."""

    @wraps(view)
    def compressed(request: HttpRequest) -> HttpResponse:
        answer = view(request)
        patch_vary_headers(answer, ("Accept-Encoding",))
        if len(answer.content) >= SMALLEST and OFFERS_BROTLI.search(request.headers.get("Accept-Encoding", "")):
            answer.content = _smallest(answer.content)
            answer["Content-Encoding"] = "br"
            answer["Content-Length"] = str(len(answer.content))
            _weaken_etag(answer)
        return answer

    return compressed


@lru_cache(CONTENTS)
def _smallest(content: bytes) -> bytes:
    return bytes(brotli.compress(content))  # at its highest quality


def _weaken_etag(answer: HttpResponse) -> None:
    """The same content in other bytes, RFC 9110, 8.8.1."""
    tag = answer.get("ETag", "")
    if tag.startswith('"'):
        answer["ETag"] = f"W/{tag}"

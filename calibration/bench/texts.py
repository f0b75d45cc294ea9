"""The app's texts in the reader's language: what the first screen says comes before it, everything else after it."""

from __future__ import annotations

import json
from typing import Any

from django.http import HttpResponse
from django.views.i18n import JavaScriptCatalog

from .assets import early_sources

BEFORE_CONTEXT = "\x04"
"""In a catalog stands here what tells a text from another of the same words."""


class _Catalog(JavaScriptCatalog):
    def is_early(self, text: str) -> bool:
        """Whether it is found in a module that comes early; one that only looks as if it was costs a few bytes."""
        return json.dumps(text.split(BEFORE_CONTEXT)[-1], ensure_ascii=False)[1:-1] in early_sources()


class EarlyTexts(_Catalog):
    """With the functions that look texts up."""

    def get_catalog(self) -> dict[str, Any]:
        return {text: each for text, each in super().get_catalog().items() if self.is_early(text)}


class LaterTexts(_Catalog):
    """All others; a module, which has nothing to import."""

    def get_catalog(self) -> dict[str, Any]:
        return {text: each for text, each in super().get_catalog().items() if not self.is_early(text)}

    def render_to_response(self, context: dict[str, Any], **_options: Any) -> HttpResponse:
        texts = json.dumps(context["catalog"], ensure_ascii=False, separators=(",", ":"), sort_keys=True)
        return HttpResponse(f"Object.assign(django.catalog, {texts});")

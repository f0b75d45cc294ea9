"""The address on every certificate: whether it holds, and what it certifies. Anyone may ask."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from ..certificate.texts import kind_title
from ..selectors.certificates import Verification, verification

MEDIA_TYPES: Final = ["text/html", "application/json"]
STATES: Final = {"issued": "valid", "replaced": "replaced"}


@require_safe
@never_cache
def verify(request: HttpRequest, code: str) -> HttpResponse:
    """A page, or JSON where `Accept` asks for it; 404 for a code that was never issued."""
    found = verification(code)
    status = 404 if found is None else 200
    if request.get_preferred_type(MEDIA_TYPES) == "application/json":
        return JsonResponse(_content(found), status=status)
    kind = kind_title(found.kind) if found else ""
    values = {"found": found, "content": _content(found), "kind": kind, "code": code}
    return render(request, "reports/verify.html", values, status=status)


def _content(found: Verification | None) -> dict[str, Any]:
    if found is None:
        return {"state": "unknown"}
    return {**asdict(found), "state": STATES[found.state]}

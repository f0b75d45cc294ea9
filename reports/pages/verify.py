"""The address on every certificate: whether it holds, and what it certifies. Anyone may ask."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from ..certificate.display import stamp_with_zone
from ..certificate.texts import kind_title
from ..codes import grouped, read_code
from ..selectors.certificates import Verification, verification

MEDIA_TYPES: Final = ["text/html", "application/json"]
STATES: Final = {"issued": "valid", "replaced": "replaced"}
VERDICTS: Final = {
    "within": _("Every corner within tolerance, the measurement uncertainty taken into account."),
    "outside": _("At least one corner outside tolerance."),
    "undecided": _("Not decided: the measurement uncertainty leaves open whether every corner is within tolerance."),
    None: _("No verdict: the heights were not judged."),
}
LONGEST_SHOWN: Final = 40


@require_safe
@never_cache
def ask(request: HttpRequest) -> HttpResponse:
    """A field for the code, and with `?code=` what that code says."""
    typed = request.GET.get("code", "").strip()
    if typed:
        return _answer(request, typed)
    return render(request, "reports/verify.html", {"asked": False})


@require_safe
@never_cache
def verify(request: HttpRequest, code: str) -> HttpResponse:
    """A page, or JSON where `Accept` asks for it; 404 for a code that was never issued."""
    return _answer(request, code)


def _answer(request: HttpRequest, typed: str) -> HttpResponse:
    found = verification(typed)
    status = 404 if found is None else 200
    if request.get_preferred_type(MEDIA_TYPES) == "application/json":
        return JsonResponse(_content(found), status=status)
    code = read_code(typed)
    values = {
        "asked": True,
        "found": found,
        "content": _content(found),
        "kind": kind_title(found.kind) if found else "",
        "issued": stamp_with_zone(found.issued_at) if found else "",
        "verdict": VERDICTS[found.verdict] if found else "",
        "code": grouped(code) if code else typed[:LONGEST_SHOWN],
    }
    return render(request, "reports/verify.html", values, status=status)


def _content(found: Verification | None) -> dict[str, Any]:
    if found is None:
        return {"state": "unknown"}
    return {**asdict(found), "state": STATES[found.state]}

"""The living reference of the looks: every token and every part in each of its states, on invented data."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_safe

from ..looks.navigation import NavigationEntry, NavigationGroup
from ..looks.tokens import tokens
from ..looks.tolerance_bar import CORNER_NAMES
from . import looks_samples as samples
from .lists import Part

THEMES: Final = ("light", "dark")
HANDS: Final = ("left", "right")
TOKEN_GROUPS: Final = {
    "ground": _("Grounds"),
    "ink": _("Words"),
    "line": _("Lines, borders, focus"),
    "rule": _("Ruling (ornament)"),
    "fill": _("Filled areas"),
    "on": _("Words on filled areas"),
    "mark": _("Marks in figures"),
}


@require_safe
def reference(request: HttpRequest) -> HttpResponse:
    groups = [
        (title, [token for token in tokens() if token.group == group and token.colours])
        for group, title in TOKEN_GROUPS.items()
    ]
    values = {
        "token_groups": groups,
        "sizes": [token for token in tokens() if token.group == "size"],
        "spaces": [token for token in tokens() if token.group == "space"],
        "targets": [token for token in tokens() if token.group == "target"],
        "form": samples.filled_form(),
        "bars": samples.bars(),
        "row_bars": samples.row_bars(),
        "cautions": samples.CAUTIONS,
        "history": samples.HISTORY,
        "part": Part((), _("1 to 50 of 212"), "?page=1", "?page=3"),
    }
    return render(request, "looks/reference/page.html", values | _surroundings(request))


@require_safe
def errors(request: HttpRequest) -> HttpResponse:
    """A form that came back: the summary takes the focus."""
    return render(request, "looks/reference/errors.html", {"form": samples.form_in_error()} | _surroundings(request))


@require_safe
def bench(request: HttpRequest) -> HttpResponse:
    """A tablet's page: the second corner is being measured."""
    return render(request, "looks/reference/bench.html", {"form": samples.ReadingForm()} | _surroundings(request))


@require_safe
def bench_result(request: HttpRequest) -> HttpResponse:
    """A tablet's page: four corners in their tolerances."""
    return render(request, "looks/reference/bench_result.html", {"bars": samples.bars()} | _surroundings(request))


@require_safe
def worksheet(request: HttpRequest) -> HttpResponse:
    values = {"corners": CORNER_NAMES, "cautions": samples.CAUTIONS}
    return render(request, "looks/reference/worksheet.html", values | _surroundings(request))


def _surroundings(request: HttpRequest) -> dict[str, Any]:
    """What every view gives the base: theme, hand, vehicle, index."""
    return {
        "theme": _asked(request, "theme", THEMES),
        "hand": _asked(request, "hand", HANDS),
        "who": samples.WHO,
        "vehicle": samples.VEHICLE,
        "navigation": [NavigationGroup(_("Workshop"), _index(request))],
    }


def _index(request: HttpRequest) -> list[NavigationEntry]:
    return [
        NavigationEntry(label, reverse(name), is_current=request.path == reverse(name), count=count)
        for label, name, count in (
            (_("Looks"), "looks", 0),
            (_("Fields with errors"), "looks-errors", 5),
            (_("A reading on the bench"), "looks-bench", 0),
            (_("A result on the bench"), "looks-bench-result", 0),
            (_("Worksheet on paper"), "looks-worksheet", 0),
        )
    ]


def _asked(request: HttpRequest, name: str, known: tuple[str, ...]) -> str:
    asked = request.GET.get(name, "")
    return asked if asked in known else ""


urlpatterns = [
    path("", reference, name="looks"),
    path("errors/", errors, name="looks-errors"),
    path("bench/", bench, name="looks-bench"),
    path("bench-result/", bench_result, name="looks-bench-result"),
    path("worksheet/", worksheet, name="looks-worksheet"),
]

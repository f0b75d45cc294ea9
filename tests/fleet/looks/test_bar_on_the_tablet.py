"""The tablet's module draws what the server draws: same shapes, same places, same words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from django.template import Context, Template

from fleet.looks.tolerance_bar import ToleranceBar, span_mm
from fleet.pages.looks_samples import bars, row_bars
from tests.browser.fixtures import PagesOpened

Drawing = list[tuple[str, dict[str, Any], str]]
READ = """svg => [svg, ...svg.querySelectorAll('*:not(g:not([transform]))')].map(each => [
    each.tagName,
    Object.fromEntries([...each.attributes].map(one => [one.name, each.tagName === 'path' && one.name === 'd'
        ? one.value.match(/[a-z]|-?[0-9.]+/gi).map(part => isNaN(part) ? part : Number(part))
        : isNaN(one.value) ? one.value.replace(/-?[0-9]+[.]0\\b/g, number => Number(number)) : Number(one.value)])),
    each.children.length ? '' : each.textContent,
])"""
ON_THE_TABLET = f"""async ([bar, upright]) => {{
    const {{ toleranceBar }} = await import('/static/looks/tolerance-bar.js');
    return ({READ})(toleranceBar(bar, {{ upright }}));
}}"""
FROM_THE_SERVER = f"""html => {{
    const page = new DOMParser().parseFromString(html, 'text/html');
    return ({READ})(page.querySelector('svg[role=img]'));
}}"""


def as_the_tablet_has_it(bar: ToleranceBar) -> dict[str, Any]:
    return {
        "key": bar.key,
        "title": bar.title,
        "description": bar.description,
        "heightMm": bar.height_mm,
        "expandedUncertaintyMm": bar.expanded_uncertainty_mm,
        "targetMm": bar.target_mm,
        "toleranceMm": bar.tolerance_mm,
        "verdict": bar.verdict,
        **({"spanMm": bar.span_mm} if bar.span_mm else {}),
    }


def on_the_server(bar: ToleranceBar, *, upright: bool) -> str:
    source = "{% load looks %}{% tolerance_bar bar upright=upright with_table=False %}"
    return Template(source).render(Context({"bar": bar, "upright": upright}))


FAR = replace(row_bars()[0], key="row-far", height_mm=310.7, verdict="outside")


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("bar", [*bars().values(), *row_bars(), FAR], ids=lambda bar: bar.key)
def test_both_draw_the_same(open_page: PagesOpened, bar: ToleranceBar, upright: bool) -> None:
    page = open_page("/looks/worksheet/")
    server = page.evaluate(FROM_THE_SERVER, on_the_server(bar, upright=upright))
    tablet = page.evaluate(ON_THE_TABLET, [as_the_tablet_has_it(bar), upright])
    assert len(server) == (12 if upright else 11)
    assert tablet == server


def test_a_drawing_of_another_height_would_be_found(open_page: PagesOpened) -> None:
    page = open_page("/looks/worksheet/")
    bar = row_bars()[0]
    server = page.evaluate(FROM_THE_SERVER, on_the_server(bar, upright=False))
    moved = as_the_tablet_has_it(replace(bar, height_mm=bar.height_mm + 0.1))
    assert page.evaluate(ON_THE_TABLET, [moved, False]) != server


def test_both_choose_the_same_span(open_page: PagesOpened) -> None:
    page = open_page("/looks/worksheet/")
    code = "async bars => (await import('/static/looks/tolerance-bar.js')).spanMm(bars)"
    for group in ([], row_bars(), [FAR]):
        assert page.evaluate(code, [as_the_tablet_has_it(bar) for bar in group]) == pytest.approx(span_mm(group))

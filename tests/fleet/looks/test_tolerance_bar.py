"""The bar says in words what it draws, draws to scale, and speaks the reader's language and unit."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from django.template import Context, Template
from django.utils import translation

from fleet.looks.tolerance_bar import ToleranceBar, span_mm
from fleet.pages.looks_samples import bars

BAR = ToleranceBar(
    key="fl",
    name="Front left",
    height_mm=497.5,
    expanded_uncertainty_mm=2.6,
    target_mm=486.0,
    tolerance_mm=6.0,
    verdict="outside",
)


def rendered(bar: ToleranceBar, arguments: str = "") -> str:
    source = "{% load looks %}{% tolerance_bar bar " + arguments + " %}"
    return Template(source).render(Context({"bar": bar}))


class TestWords:
    def test_title_and_description_say_what_is_drawn(self) -> None:
        assert BAR.title == "Front left: 497.5 ± 2.6 mm, outside"
        assert BAR.description == (
            "Target 486.0 mm, tolerance from 480.0 to 492.0 mm. The height deviates from the target by +11.5 mm and "
            "lies, with its uncertainty, between 494.9 and 500.1 mm."
        )

    def test_a_bar_is_named_and_described_by_its_own_words(self) -> None:
        html = rendered(BAR)
        assert 'role="img" aria-labelledby="fl-title fl-desc"' in html
        assert f'<title id="fl-title">{BAR.title}</title>' in html
        assert f'<desc id="fl-desc">{BAR.description}</desc>' in html

    def test_a_table_with_every_figure_stands_behind_it(self) -> None:
        html = rendered(BAR)
        table = html[html.index("<table") :]
        for figure in ("497.5&nbsp;mm", "± 2.6", "486.0", "± 6.0", "+11.5", "outside"):
            assert figure in table
        assert "<table" not in rendered(BAR, "with_table=False")

    def test_inches_are_shown_where_they_are_asked_for(self) -> None:
        assert replace(BAR, unit="inch").title == "Front left: 19.59 ± 0.10 in, outside"

    def test_german_has_a_decimal_comma_in_words_and_none_in_coordinates(self) -> None:
        with translation.override("de"):
            assert "497,5 ± 2,6 mm" in str(BAR.title)
            html = rendered(BAR)
        drawing = html[html.index("<rect") : html.index("</svg>", html.index("<rect"))]
        assert "," not in drawing
        assert re.search(r'x="-\d+\.\d+"', drawing)

    def test_names_are_shown_as_text(self) -> None:
        assert "<b>" not in rendered(replace(BAR, name="<b>"))

    @pytest.mark.parametrize(
        ("verdict", "shape", "word"),
        [
            ("within", "mark-within", "within"),
            ("outside", "mark-outside", "outside"),
            ("undecided", "mark-undecided", "undecided"),
            (None, "mark-unjudged", "not judged"),
        ],
    )
    def test_every_verdict_has_a_shape_and_a_word(self, verdict: str | None, shape: str, word: str) -> None:
        html = rendered(replace(BAR, verdict=verdict), "with_table=False")
        assert html.count(shape) == 2
        assert f">{word}</span>" in html.replace("\n", "")


class TestGeometry:
    def test_a_height_at_its_limit_is_drawn_at_the_limit(self) -> None:
        drawn = replace(BAR, height_mm=492.0).geometry(100)
        assert drawn.mark == drawn.limits[1]
        assert drawn.width == pytest.approx(drawn.limits[1] - drawn.limits[0], abs=0.011)

    def test_the_whisker_is_the_uncertainty_on_the_scale_of_the_tolerance(self) -> None:
        drawn = BAR.geometry(100)
        assert drawn.whisker[1] - drawn.mark == pytest.approx(drawn.limits[1] * 2.6 / 6.0, abs=0.02)
        assert drawn.mark - drawn.whisker[0] == pytest.approx(drawn.limits[1] * 2.6 / 6.0, abs=0.02)

    def test_ticks_stand_one_for_each_mm(self) -> None:
        drawn = replace(BAR, height_mm=487).geometry(100)
        steps = {round(b - a, 1) for a, b in zip(drawn.ticks, drawn.ticks[1:], strict=False)}
        assert 0.0 in drawn.ticks
        assert steps == {round(drawn.limits[1] / 6.0, 1)}

    @pytest.mark.parametrize("height_mm", [486.0, 400.0, 1500.0, 0.0])
    def test_whatever_the_height_everything_lies_on_the_bar(self, height_mm: float) -> None:
        drawn = replace(BAR, height_mm=height_mm).geometry(100)
        places = (*drawn.limits, *drawn.whisker, drawn.mark, *drawn.ticks)
        assert max(map(abs, places)) <= 100
        assert len(drawn.ticks) <= 25

    def test_bars_with_one_span_share_a_scale(self) -> None:
        together = list(bars().values())
        assert len({bar.span_mm for bar in together}) == 1
        per_mm = {round(bar.geometry(60).limits[1] / bar.tolerance_mm, 2) for bar in together}
        assert len(per_mm) == 1

    def test_the_span_holds_the_farthest_whisker(self) -> None:
        assert span_mm([BAR]) == pytest.approx(1.08 * (11.5 + 2.6))
        assert span_mm([]) > 0
        exact = replace(BAR, height_mm=486.0, expanded_uncertainty_mm=0.0, tolerance_mm=0.0)
        assert span_mm([exact]) > 0


def test_four_corners_have_one_table_behind_them() -> None:
    html = Template("{% load looks %}{% plan_bars bars %}").render(Context({"bars": bars()}))
    assert html.count('role="img"') == 4
    assert html.count("<table") == 1
    assert html.count('role="rowheader"') == 4

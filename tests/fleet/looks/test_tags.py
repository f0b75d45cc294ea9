"""Fields, summaries, notices and confirmations, without a browser."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django import forms
from django.template import Context, Template
from django.test import Client
from django.utils import translation

from fleet.looks.tokens import tokens
from fleet.pages.looks_samples import SampleForm, filled_form, form_in_error


def render(source: str, **values: Any) -> str:
    return Template("{% load looks %}" + source).render(Context(values))


class TestField:
    def test_label_hint_and_unit_belong_to_the_control(self) -> None:
        html = render('{% field form.height unit="mm" %}', form=SampleForm())
        assert '<label class="field-label" for="id_height">' in html
        assert 'aria-describedby="id_height-hint id_height-unit"' in html
        assert 'id="id_height-hint"' in html
        assert '<span class="field-unit" id="id_height-unit">mm</span>' in html

    def test_a_number_is_typed_as_text_with_a_number_pad(self) -> None:
        html = render("{% field form.height %}{% field form.odometer %}", form=SampleForm())
        assert html.count('type="text"') == 2
        assert 'inputmode="decimal"' in html
        assert 'inputmode="numeric"' in html

    def test_a_decimal_comma_is_understood_where_it_is_usual(self) -> None:
        with translation.override("de"):
            form = SampleForm({"height": "486,5"})
            form.is_valid()
            assert str(form.cleaned_data["height"]) == "486.5"
            assert 'value="486,5"' in render("{% field form.height %}", form=form)

    def test_an_error_is_told_beside_the_field_and_to_those_who_do_not_see_it(self) -> None:
        html = render("{% field form.height %}", form=form_in_error())
        assert 'aria-invalid="true"' in html
        assert 'aria-describedby="id_wrong-height-hint id_wrong-height-error"' in html
        assert re.search(r'id="id_wrong-height-error">.*Error:.*Enter a number\.', html, re.DOTALL)
        assert "field-error" not in render("{% field form.height %}", form=SampleForm())

    def test_choices_stand_in_a_group_with_a_legend_and_a_label_each(self) -> None:
        html = render("{% field form.ready %}", form=filled_form())
        assert '<fieldset class="field" id="id_blank-ready" aria-describedby="id_blank-ready-hint">' in html
        assert html.count("<label") == 3
        assert re.search(r'value="floor"[^>]*checked', html)

    def test_what_may_be_left_out_says_so(self) -> None:
        assert "(may be left out)" in render("{% field form.remark %}", form=SampleForm())
        assert "(may be left out)" not in render("{% field form.bay %}", form=SampleForm())

    def test_what_was_typed_is_shown_as_text(self) -> None:
        html = render("{% field form.registration %}", form=SampleForm({"registration": '"><b>'}))
        assert "<b>" not in html


class TestErrorSummary:
    def test_every_error_links_to_a_place_on_the_page(self) -> None:
        form = form_in_error()
        fields = "{% for bound in form %}{% field bound %}{% endfor %}"
        html = render("{% error_summary form %}" + fields, form=form)
        targets = re.findall(r'<a href="#([^"]+)">', html)
        assert len(targets) == len(form.errors) == 5
        assert all(f'id="{target}"' in html for target in targets)

    def test_an_error_of_the_whole_form_is_listed_too(self) -> None:
        class Whole(forms.Form):
            def clean(self) -> None:
                raise forms.ValidationError("Front and rear do not go together.")

        assert "Front and rear do not go together." in render("{% error_summary form %}", form=Whole({}))

    def test_nothing_is_shown_and_no_script_loaded_where_nothing_is_wrong(self) -> None:
        assert render("{% error_summary form %}", form=filled_form()).strip() == ""


class TestNotice:
    @pytest.mark.parametrize(("severity", "word"), [("note", "Note"), ("review", "To review"), ("stop", "Stop")])
    def test_severity_is_a_word_and_a_shape(self, severity: str, word: str) -> None:
        html = render('{% notice severity "A leak" %}<p>Mend it.</p>{% endnotice %}', severity=severity)
        assert f"{word}:</span> A leak" in html
        assert "<svg" in html
        assert "<p>Mend it.</p>" in html

    def test_shapes_differ(self) -> None:
        drawn = {re.findall(r'd="[^"]+"', render('{% notice s "x" %}{% endnotice %}', s=s))[0] for s in SEVERITIES}
        assert len(drawn) == 3

    def test_a_heading_is_shown_as_text(self) -> None:
        assert "<b>" not in render('{% notice "stop" heading %}{% endnotice %}', heading="<b>")


SEVERITIES = ("note", "review", "stop")


def test_a_confirmation_hides_its_second_step_until_the_first_is_taken() -> None:
    html = render('{% confirm "Withdraw" dangerous=True %}<button>Yes</button>{% endconfirm %}')
    assert re.search(r"<details class=\"confirm confirm-dangerous\">\s*<summary", html)
    assert html.index("</summary>") < html.index("<button>Yes</button>") < html.index("</details>")


class TestPages:
    @pytest.mark.parametrize("path", ["", "errors/", "bench/", "bench-result/", "worksheet/"])
    def test_every_page_names_the_vehicle_or_itself_and_its_language(self, path: str) -> None:
        text = Client().get(f"/looks/{path}").content.decode()
        assert '<html lang="en"' in text
        assert re.search(r"<title>\S.* – Levelbook</title>", text)
        assert ">LB 42 HT<" in text
        assert "<b>004711</b>" in text

    def test_the_reference_shows_every_token_but_faces_and_shapes(self) -> None:
        text = Client().get("/looks/").content.decode()
        shown = {token.name for token in tokens() if f"--{token.name}<" in text}
        assert {token.name for token in tokens()} - shown == {"face", "face-code", "measure", "page", "round"}

    def test_theme_and_hand_come_from_what_is_known_only(self) -> None:
        assert 'data-theme="dark"' in Client().get("/looks/?theme=dark").content.decode()
        assert "data-theme" not in Client().get("/looks/?theme=%22%3E").content.decode()
        assert 'data-hand="left"' in Client().get("/looks/bench/?hand=left").content.decode()
        assert 'data-hand="right"' in Client().get("/looks/bench/?hand=up").content.decode()

    def test_the_index_marks_the_page_that_is_open(self) -> None:
        text = Client().get("/looks/errors/").content.decode()
        assert text.count('aria-current="page"') == 1
        assert '<a href="/looks/errors/" aria-current="page">' in text

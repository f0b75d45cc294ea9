"""Specifications: read, compared, and recorded from the revision before."""

from __future__ import annotations

import re
from datetime import date
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.utils.html import strip_tags

from fleet import specifications
from fleet.models import Specification
from fleet.tenancy import in_workshop
from tests.factories import SPECIFICATION

from .conftest import Furnished
from .forms import errors_in, form_of, send


def path_of(has: Furnished, rest: str = "") -> str:
    return f"/vehicle-models/{has.vehicle_model.pk}/specifications/{rest}"


def text_of(page: Any) -> str:
    return " ".join(unescape(strip_tags(page.content.decode())).split())


def test_the_next_revision_starts_from_the_latest_and_is_else_the_same(furnished: Furnished, manager: Client) -> None:
    """What the form does not touch stays as it was, to the last decimal."""
    answer = send(manager, path_of(furnished, "new/"), effective_from="2020-01-01")
    assert answer["Location"] == path_of(furnished, "3/")
    with in_workshop(furnished.site.workshop.pk):
        second, third = Specification.objects.filter(vehicle_model=furnished.vehicle_model).order_by("revision")[1:]
    assert third.content == second.content
    assert (third.source_kind, third.source) == (second.source_kind, second.source)


def test_the_list_of_models_names_the_revision_in_force(furnished: Furnished, manager: Client) -> None:
    """The latest recorded one may hold for an earlier time, or not yet."""
    site = furnished.site
    model = site.specification(effective_from=date(2022, 1, 1)).vehicle_model
    site.specification(model, effective_from=date(2020, 1, 1))
    site.specification(model, effective_from=date(2096, 1, 1))
    to_come = site.specification(effective_from=date(2096, 1, 1)).vehicle_model
    for each, told in ((model, "revision 1"), (to_come, "not in force yet"), (site.vehicle_model(), "missing")):
        page = text_of(manager.get("/vehicle-models/", {"q": each.name}))
        assert told in page, each
        assert "revision 3" not in page


def test_the_first_revision_is_typed_into_an_empty_form(furnished: Furnished, manager: Client) -> None:
    model = furnished.site.vehicle_model()
    path = f"/vehicle-models/{model.pk}/specifications/new/"
    typed = {
        name: value
        for name, value in SPECIFICATION.items()
        if name not in ("front", "rear", "allowed_tyres", "readiness_not_applicable")
    }
    for axle in ("front", "rear"):
        typed |= {f"{axle}__{name}": value for name, value in SPECIFICATION[axle].items()}
    answer = send(manager, path, **typed, allowed_tyres="255/60R18\n275/65R18")
    assert answer.status_code == 302, errors_in(answer)
    with in_workshop(furnished.site.workshop.pk):
        assert Specification.objects.get(vehicle_model=model).content == furnished.specification.content


def test_every_field_of_a_specification_stands_in_the_form_and_on_its_page(
    furnished: Furnished, manager: Client
) -> None:
    offered = set(form_of(manager.get(path_of(furnished, "new/"))).values) | {
        "linked_corners",
        "readiness_not_applicable",
    }
    content = furnished.specification.content
    wanted = set(specifications.OWN_COLUMNS) | {
        f"{name}-{inner}" if isinstance(value, dict) else name
        for name, value in content.items()
        for inner in (value if isinstance(value, dict) else [""])
    }
    assert wanted <= offered
    shown = manager.get(path_of(furnished, "1/")).content.decode()
    assert len(re.findall(r"<dt>", shown)) == len(wanted) + 2


def test_a_comparison_marks_what_differs_and_nothing_else(furnished: Furnished, manager: Client) -> None:
    furnished.site.specification(
        furnished.vehicle_model,
        warp_max_mm=8,
        front={**SPECIFICATION["front"], "target_mm": 487.5},
        controlled_corners=["FL", "FR", "RL", "RR"],
    )
    page = manager.get(path_of(furnished, "comparison/?earlier=1&later=3")).content.decode()
    marked = re.findall(r'class="line-differs">\s*<th[^>]*>(.*?)</th>', page, re.DOTALL)
    assert [re.sub(r"<.*", "", each, flags=re.DOTALL).strip() for each in marked] == ["Target, front", "Warp"]
    assert "They differ in 2 places" in page
    assert "487.5" in page


def test_a_revision_that_does_not_exist_is_not_compared(furnished: Furnished, manager: Client) -> None:
    for query in ("", "?earlier=1", "?earlier=1&later=9", "?earlier=x&later=1", "?earlier=1&later=99999999999"):
        assert manager.get(path_of(furnished, f"comparison/{query}")).status_code == 404
    assert manager.get(path_of(furnished, "9/")).status_code == 404


def test_tight_tolerances_are_told(furnished: Furnished, manager: Client) -> None:
    page = manager.get(path_of(furnished, "1/")).content.decode()
    assert "93&nbsp;%" in page
    assert "Tight tolerances" not in page
    with in_workshop(furnished.site.workshop.pk):
        specifications.register_passing_share(lambda _content: 0.41)
        furnished.site.specification(furnished.vehicle_model)
    page = manager.get(path_of(furnished, "3/")).content.decode()
    assert "Tight tolerances" in page
    assert "Only 41 % of vehicles that really stand on target" in page


@pytest.mark.parametrize(
    ("language", "told"),
    [
        ("en", "93 % of all vehicles that really stand on target are shown to be within by the first round"),
        ("de", "93 % aller Fahrzeuge, die wirklich auf Sollhöhe stehen"),
    ],
)
def test_it_is_said_what_the_share_of_passing_vehicles_is_one_of(
    furnished: Furnished, manager: Client, language: str, told: str
) -> None:
    in_this = {"Accept-Language": language}
    assert told in text_of(manager.get(path_of(furnished, "1/"), headers=in_this))
    for path in (path_of(furnished, "1/"), f"/vehicle-models/{furnished.vehicle_model.pk}/"):
        assert "True vehicles" not in text_of(manager.get(path, headers=in_this))


def test_a_refusal_speaks_of_fields_as_the_page_does(furnished: Furnished, manager: Client) -> None:
    page = send(manager, path_of(furnished, "new/"), step_max_counts="90", front__setpoint_high="300")
    assert errors_in(page)["step_max_counts"] == "Largest step: One step must not exceed “Shift limit”."
    assert "not above “Greatest set-point”" in errors_in(page)["front-setpoint_high"]
    page = send(manager, path_of(furnished, "new/"), front__setpoint_low="230")
    assert errors_in(page)["front-setpoint_high"].endswith("Must be greater than “Lower end of the band, front”.")


def test_a_controlled_axle_must_say_how_it_is_set(furnished: Furnished, manager: Client) -> None:
    page = send(manager, path_of(furnished, "new/"), rear__response_sd="")
    assert "“Controlled corners”" in errors_in(page)["rear-response_sd"]
    answer = send(
        manager,
        path_of(furnished, "new/"),
        controlled_corners=["FL", "FR"],
        **{f"rear__{name}": "" for name in specifications.CONTROL_FIELDS},
    )
    assert answer.status_code == 302, errors_in(answer)


def test_the_form_says_what_may_be_left_out_and_what_may_not(furnished: Furnished, manager: Client) -> None:
    """Sent with everything emptied that "may be left out", the form is taken."""
    page = manager.get(path_of(furnished, "new/"))
    labels = dict(re.findall(r'class="field-label" for="id_([^"]+)">(.*?)</label>', page.content.decode(), re.DOTALL))
    told = {name: "".join(re.findall(r"\(.*\)", label)) for name, label in labels.items()}
    of_the_control_unit = {f"{axle}-{name}" for axle in specifications.AXLES for name in specifications.CONTROL_FIELDS}
    assert {name for name, words in told.items() if "control unit" in words} == of_the_control_unit
    optional = [name for name, words in told.items() if words == "(may be left out)"]
    assert "reference_tyre" in optional
    sent = form_of(page).filled(effective_from="2020-01-01", **dict.fromkeys(optional, ""))
    answer = manager.post(path_of(furnished, "new/"), sent)
    assert answer.status_code == 302, errors_in(answer)


def test_response_and_spread_come_with_a_starting_value_in_the_readers_notation(
    furnished: Furnished, manager: Client
) -> None:
    """Those of the interface's example: 0.9 and 0.15 in front, 1.05 and 0.18 behind."""
    for language, starts in (("en", ["0.9", "0.15", "1.05", "0.18"]), ("de", ["0,9", "0,15", "1,05", "0,18"])):
        page = manager.get(path_of(furnished, "new/"), headers={"accept-language": language}).content.decode()
        hints = dict(re.findall(r'<span class="field-hint" id="id_([\w-]+)-hint">(.*?)</span>', page, re.DOTALL))
        names = [f"{axle}-{name}" for axle in ("front", "rear") for name in ("response_mm_per_count", "response_sd")]
        for name, start in zip(names, starts, strict=True):
            assert f" {start}" in hints[name], hints[name]


def test_a_figure_in_another_unit_is_asked_about(furnished: Furnished, manager: Client) -> None:
    page = send(manager, path_of(furnished, "new/"), front__target_mm="48,6")
    assert "looks like centimetres" in errors_in(page)["front-target_mm"]


def test_one_of_a_unit_is_told_in_the_singular(furnished: Furnished, manager: Client) -> None:
    furnished.site.specification(furnished.vehicle_model, check_interval_months=1, shift_review_counts=1)
    page = manager.get(path_of(furnished, "3/")).content.decode()
    assert "<dd>1&nbsp;month</dd>" in page
    assert "<dd>1&nbsp;count</dd>" in page
    assert "<dd>60&nbsp;counts</dd>" in page

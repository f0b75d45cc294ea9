"""What holds for every form of the set-up: sent, refused with nothing lost, sent twice, stale."""

from __future__ import annotations

import pytest
from django.test import Client

from fleet.models import (
    LedgerEntry,
    Operator,
)
from fleet.tenancy import in_workshop
from tests.fleet.pages.form_cases import NAMES, Case, cases

from .conftest import Furnished
from .forms import errors_in, form_of, send


@pytest.fixture(params=NAMES)
def case(request: pytest.FixtureRequest, furnished: Furnished) -> Case:
    return cases(furnished)[request.param]


def matching(has: Furnished, case: Case) -> int:
    with in_workshop(has.site.workshop.pk):
        return case.model._default_manager.filter(**case.recorded).count()


def entries(has: Furnished) -> int:
    with in_workshop(has.site.workshop.pk):
        return LedgerEntry.objects.count()


def test_every_form_is_tried_here(furnished: Furnished) -> None:
    assert list(cases(furnished)) == NAMES
    elsewhere = {"/people/new/"}  # tests/fleet/pages/test_people.py
    with_form = {path for path in furnished.pages() if path.endswith(("/new/", "/change/", "/calibration/"))}
    assert with_form - elsewhere == {c.path for c in cases(furnished).values()} & with_form


def test_what_was_typed_is_recorded_and_leads_on(furnished: Furnished, manager: Client, case: Case) -> None:
    assert matching(furnished, case) == 0
    answer = send(manager, case.path, **case.typed)
    assert answer.status_code == case.status_done, errors_in(answer)
    assert matching(furnished, case) == 1


def test_sent_twice_it_changes_nothing_and_leads_to_the_same_place(
    furnished: Furnished, manager: Client, case: Case
) -> None:
    sent = form_of(manager.get(case.path)).filled(**case.typed)
    first = manager.post(case.path, sent)
    before = entries(furnished)
    second = manager.post(case.path, sent)
    assert (second.status_code, second.get("Location")) == (case.status_done, first.get("Location"))
    assert matching(furnished, case) == 1
    assert entries(furnished) == before + case.shows_once, "another secret for a token is an entry of its own"


def test_what_breaks_a_rule_comes_back_with_every_entry_kept(furnished: Furnished, manager: Client, case: Case) -> None:
    before = entries(furnished)
    sent = form_of(manager.get(case.path)).filled(**{**case.typed, **case.spoilt})
    page = manager.post(case.path, sent)
    assert page.status_code in (409, 422)
    assert case.in_error in errors_in(page)
    assert "_" not in " ".join(errors_in(page).values()), "names of the interface are none that people read"
    assert {n: v for n, v in form_of(page).values.items() if v != [""]} == {
        name: value for name, value in sent.items() if value != [""] and name != "csrfmiddlewaretoken"
    } | {n: v for n, v in form_of(page).values.items() if n == "csrfmiddlewaretoken"}
    assert entries(furnished) == before
    mended = form_of(page).filled(**case.typed)
    for name in case.spoilt:
        if name not in case.typed:
            name = name.replace("__", "-")
            mended[name] = form_of(manager.get(case.path)).values.get(name, [""])
    assert manager.post(case.path, mended).status_code == case.status_done


def test_what_somebody_else_changed_meanwhile_is_shown_beside(
    furnished: Furnished, manager: Client, case: Case
) -> None:
    if not case.is_change:
        return
    page = manager.get(case.path)
    other = {"name": "Somebody else's"} if "name" in form_of(page).values else {"registration": "ZZ 1"}
    assert send(manager, case.path, **other).status_code == 302
    stale = manager.post(case.path, form_of(page).filled(**case.typed))
    assert stale.status_code == 412
    told = errors_in(stale)
    assert "Somebody changed this" in told.pop("")
    assert set(told) == {name.replace("__", "-") for name in {*other, *case.typed}}
    assert all("On record now" in each for each in told.values())
    assert matching(furnished, case) == 0
    assert manager.post(case.path, form_of(stale).values).status_code == 302
    assert matching(furnished, case) == 1


def test_a_form_sent_again_with_other_entries_is_refused(furnished: Furnished, manager: Client) -> None:
    sent = form_of(manager.get("/operators/new/")).filled(name="First", email="a@example.com")
    assert manager.post("/operators/new/", sent).status_code == 302
    again = manager.post("/operators/new/", {**sent, "name": ["Second"]})
    assert again.status_code == 409
    assert "sent before, with other content" in errors_in(again)[""]
    with in_workshop(furnished.site.workshop.pk):
        assert not Operator.objects.filter(name="Second").exists()


def test_what_somebody_else_recorded_in_the_same_moment_is_told_in_the_form(
    furnished: Furnished, manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the database sees it then."""
    monkeypatch.setattr("fleet.services.bays._require_name_is_free", lambda _name: None)
    case = cases(furnished)["bay"]
    page = send(manager, case.path, **{**case.typed, "name": furnished.bay.name})
    assert page.status_code == 409
    assert "already a bay with this name" in errors_in(page)[""]
    assert form_of(page).values["pad_levels_mm-FR"] == ["0,5"]


@pytest.mark.parametrize("spoilt", [{"id": "no id"}, {"id": ""}, {"id": "0b8f3c52-59f1-4d8e-9d6c-3a3f0a8a1c11"}])
def test_a_form_without_its_own_id_is_refused(manager: Client, furnished: Furnished, spoilt: dict[str, str]) -> None:
    answer = send(manager, "/operators/new/", name="First", email="a@example.com", **spoilt)
    assert answer.status_code == 422
    assert errors_in(answer)


def test_text_that_reverses_the_reading_direction_is_refused(manager: Client, furnished: Furnished) -> None:
    answer = send(manager, "/operators/new/", name="First\u202etsriF", email="a@example.com")
    assert "reading direction" in errors_in(answer)["name"]

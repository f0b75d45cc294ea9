"""What holds for every form of the set-up: sent, refused with nothing lost, sent twice, stale."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest
from django.db.models import Model
from django.test import Client
from django.utils import timezone

from fleet.models import (
    AccessToken,
    Bay,
    Fitment,
    Instrument,
    InstrumentCalibration,
    InstrumentWithdrawal,
    LedgerEntry,
    Membership,
    Operator,
    ServiceEvent,
    Specification,
    Vehicle,
    VehicleModel,
    VinCorrection,
    Workshop,
)
from fleet.tenancy import in_workshop
from tests.factories import new_vin

from .conftest import Furnished
from .forms import errors_in, form_of, send

TODAY = timezone.localdate().isoformat()


@dataclass(frozen=True)
class Case:
    """A form: what is typed into it, what is then recorded, and what spoils it."""

    path: str
    typed: dict[str, Any]
    model: type[Model]
    recorded: dict[str, Any]
    spoilt: dict[str, Any]
    in_error: str
    is_change: bool = False
    shows_once: bool = False
    """What was made is shown in the answer, and never again."""
    kept: dict[str, str] = field(default_factory=dict)
    """What stands on the page that comes back, besides what was typed."""

    @property
    def status_done(self) -> int:
        return 200 if self.shows_once else 302


def cases(has: Furnished) -> dict[str, Case]:
    model, vin = f"/vehicle-models/{has.vehicle_model.pk}/", has.vehicle.vin
    instrument = f"/instruments/{has.instrument.pk}/"
    other_vin = new_vin()
    return {
        "operator": Case(
            "/operators/new/",
            {"name": "Tarn Lodge", "email": "fleet@tarn-lodge.example", "address": "Quay 4\nTarn"},
            Operator,
            {"name": "Tarn Lodge", "address": "Quay 4\nTarn"},
            {"email": "no address"},
            "email",
        ),
        "operator without an e-mail address": Case(
            "/operators/new/",
            {"name": "Fell Taxi", "email": ""},
            Operator,
            {"name": "Fell Taxi", "email": ""},
            {"name": ""},
            "name",
        ),
        "operator without one any more": Case(
            f"/operators/{has.operator.pk}/",
            {"email": ""},
            Operator,
            {"pk": has.operator.pk, "email": ""},
            {"name": ""},
            "name",
            is_change=True,
        ),
        "operator changed": Case(
            f"/operators/{has.operator.pk}/",
            {"telephone": "01 555 0100"},
            Operator,
            {"pk": has.operator.pk, "telephone": "01 555 0100"},
            {"name": ""},
            "name",
            is_change=True,
        ),
        "bay": Case(
            "/bays/new/",
            {
                "name": "Bay 9",
                "surveyed_on": "2026-03-02",
                "pad_levels_mm__FL": "0",
                "pad_levels_mm__FR": "0,5",
                "pad_levels_mm__RL": "-0.5",
                "pad_levels_mm__RR": "0",
            },
            Bay,
            {"name": "Bay 9", "pad_levels_mm": {"FL": 0, "FR": 0.5, "RL": -0.5, "RR": 0}},
            {"pad_levels_mm__RR": "900"},
            "pad_levels_mm-RR",
        ),
        "bay changed": Case(
            f"/bays/{has.bay.pk}/",
            {"pad_levels_mm__RR": "1,25"},
            Bay,
            {"pk": has.bay.pk, "pad_levels_mm__RR": 1.25},
            {"surveyed_on": "2026-02-30"},
            "surveyed_on",
            is_change=True,
        ),
        "instrument of a class": Case(
            "/instruments/new/",
            {
                "serial": "ZX-900",
                "kind": "tape",
                "accuracy_class": "II",
                "resolution_mm": "1",
                "length_mm": "3000",
                "calibrated_on": TODAY,
                "calibration_due_on": "2099-03-02",
            },
            Instrument,
            {"serial": "ZX-900", "accuracy_class": "II", "hook_end": False},
            {"accuracy_class": ""},
            "accuracy_class",
        ),
        "instrument with a certificate": Case(
            "/instruments/new/",
            {
                "serial": "L-900",
                "kind": "laser",
                "resolution_mm": "0,1",
                "length_mm": "5000",
                "calibrated_on": TODAY,
                "calibration_due_on": "2099-03-02",
                "certificate__expanded_uncertainty_mm": "0,3",
                "certificate__coverage_factor": "2",
                "hook_end": "on",
            },
            Instrument,
            {"serial": "L-900", "accuracy_class": "", "hook_end": True},
            {"certificate__coverage_factor": ""},
            "certificate-coverage_factor",
        ),
        "calibration": Case(
            f"{instrument}calibration/",
            {"calibrated_on": TODAY, "calibration_due_on": "2098-01-01", "certificate_number": "C 77"},
            InstrumentCalibration,
            {"instrument": has.instrument.pk, "certificate_number": "C 77"},
            {"calibration_due_on": TODAY},
            "calibration_due_on",
        ),
        "withdrawal": Case(
            f"{instrument}withdrawal/",
            {"kind": "damaged", "since": TODAY, "reason": "Hook bent."},
            InstrumentWithdrawal,
            {"instrument": has.instrument.pk, "reason": "Hook bent."},
            {"since": "2099-01-01"},
            "since",
        ),
        "vehicle model": Case(
            "/vehicle-models/new/",
            {"make": "Corve", "name": "Haul 12", "year_from": "2022"},
            VehicleModel,
            {"make": "Corve", "year_to": None},
            {"year_to": "2021"},
            "year_to",
        ),
        "vehicle model changed": Case(
            f"{model}change/",
            {"year_to": "2031"},
            VehicleModel,
            {"pk": has.vehicle_model.pk, "year_to": 2031},
            {"year_from": "twenty"},
            "year_from",
            is_change=True,
        ),
        "specification": Case(
            f"{model}specifications/new/",
            {"side_difference_max_mm": "5,5", "linked_corners": ["RL RR"], "allowed_tyres": "255/60R18\n\n275/65R18 "},
            Specification,
            {
                "revision": 3,
                "content__side_difference_max_mm": 5.5,
                "content__linked_corners": [["RL", "RR"]],
                "content__allowed_tyres": ["255/60R18", "275/65R18"],
            },
            {"front__setpoint_low": "220"},
            "front-setpoint_high",
        ),
        "vehicle": Case(
            "/vehicles/new/",
            {
                "vin": f"{other_vin[:9]} {other_vin[9:]}".lower(),
                "registration": "LB 900",
                "vehicle_model": has.vehicle_model.pk,
                "operator": has.operator.pk,
            },
            Vehicle,
            {"vin": other_vin, "model_year": None},
            {"vin": "1M8GDM9A0KP042788"},
            "vin",
        ),
        "vehicle changed": Case(
            f"/vehicles/{vin}/change/",
            {"registration": "LB 901"},
            Vehicle,
            {"pk": has.vehicle.pk, "registration": "LB 901"},
            {"model_year": "1999"},
            "model_year",
            is_change=True,
        ),
        "VIN corrected": Case(
            f"/vehicles/{vin}/vin-correction/",
            {"vin": other_vin, "reason": "Misread."},
            VinCorrection,
            {"vehicle": has.vehicle.pk, "vin": other_vin},
            {"vin": vin},
            "vin",
        ),
        "tyres": Case(
            f"/vehicles/{vin}/fitments/new/",
            {"odometer_km": "41250,5", "tyres__RR__tread_mm": "6,5"},
            Fitment,
            {"vehicle": has.vehicle.pk, "odometer_km": "41250.5", "tyres__RR__tread_mm": 6.5},
            {"tyres__RL__sidewall": "255-60-18"},
            "tyres-RL-sidewall",
        ),
        "event": Case(
            f"/vehicles/{vin}/events/new/",
            {"kind": "sensor_replaced", "corner": "RL", "note": "Part 7"},
            ServiceEvent,
            {"vehicle": has.vehicle.pk, "corner": "RL", "note": "Part 7"},
            {"corner": ""},
            "corner",
        ),
        "person changed": Case(
            f"/people/{has.site.technician.membership.pk}/",
            {"name": "Kim Arden", "may_approve": "on"},
            Membership,
            {"pk": has.site.technician.membership.pk, "name": "Kim Arden", "may_approve": True},
            {"roles": None},
            "roles",
            is_change=True,
        ),
        "token": Case(
            f"/people/{has.program.membership.pk}/tokens/",
            {"device": "Fleet desk", "scopes": ["read", "vehicles:write"], "expires_at": "2099-03-02T09:30"},
            AccessToken,
            {"device": "Fleet desk", "scopes": ["read", "vehicles:write"], "expires_at__year": 2099},
            {"expires_at": "2020-03-02T09:30"},
            "expires_at",
            shows_once=True,
        ),
        "settings": Case(
            "/settings/",
            {"address": "Mill Lane 3", "time_zone": "Europe/Vienna", "second_factor_required_for": ["auditor"]},
            Workshop,
            {"time_zone": "Europe/Vienna", "second_factor_required_for": ["auditor"]},
            {"name": ""},
            "name",
            is_change=True,
        ),
    }


NAMES = [
    "operator",
    "operator without an e-mail address",
    "operator without one any more",
    "operator changed",
    "bay",
    "bay changed",
    "instrument of a class",
    "instrument with a certificate",
    "calibration",
    "withdrawal",
    "vehicle model",
    "vehicle model changed",
    "specification",
    "vehicle",
    "vehicle changed",
    "VIN corrected",
    "tyres",
    "event",
    "person changed",
    "token",
    "settings",
]


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

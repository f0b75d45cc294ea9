"""The first steps: an empty workshop is led to its first job, one step after the other."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.models import Workshop
from fleet.selectors import set_up
from fleet.selectors.set_up import Jobs
from fleet.tenancy import in_workshop
from tests.factories import SPECIFICATION, Site, new_vin

from .forms import errors_in, send


def states(manager: Client) -> dict[str, str]:
    """The state of each step by its heading."""
    page = manager.get("/first-steps/").content.decode()
    found = re.findall(r'<h2 class="step-head">(.*?)</h2>.*?<span class="state[^"]*">(.*?)</span>', page, re.DOTALL)
    return dict(found)


def next_step(manager: Client) -> tuple[str, str]:
    """The heading of the step that is next, and where its button leads."""
    page = manager.get("/first-steps/").content.decode()
    found = re.search(r'<li class="step-next".*?step-head">(.*?)</h2>.*?href="(.*?)"', page, re.DOTALL)
    return (found[1], found[2]) if found else ("", "")


@pytest.mark.parametrize(
    ("language", "told"),
    [
        ("en", "Time zone Asia/Tbilisi, no address yet"),
        ("de", "Zeitzone Asia/Tbilisi, noch keine Anschrift"),
    ],
)
def test_the_time_zone_is_named_from_the_start(site: Site, manager: Client, language: str, told: str) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(time_zone="Asia/Tbilisi")
    page = manager.get("/first-steps/", headers={"Accept-Language": language}).content.decode()
    assert told in page
    assert next_step(manager) == ("Your workshop", "/settings/?from=first-steps")


def test_an_empty_workshop_lacks_everything_but_its_manager(site: Site, manager: Client) -> None:
    assert states(manager) == {
        "Your workshop": "next",
        "People": "done",
        "An operator": "missing",
        "A vehicle model": "missing",
        "Its specification": "missing",
        "An instrument": "missing",
        "A bay": "may wait",
        "A vehicle": "missing",
        "Its tyres": "may wait",
        "A tablet": "may wait",
        "The first job": "missing",
    }
    assert "switch on “One person approves alone” in the settings" in manager.get("/first-steps/").content.decode()


def test_following_what_is_next_ends_at_the_bench(site: Site, manager: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a manager does it: open what the page leads to, fill in the form, come back."""
    today, vin = timezone.localdate(), new_vin()
    specification: dict[str, Any] = {
        name: value for name, value in SPECIFICATION.items() if not isinstance(value, dict | list)
    }
    for axle in ("front", "rear"):
        specification |= {f"{axle}__{name}": value for name, value in SPECIFICATION[axle].items()}
    typed: dict[str, dict[str, Any]] = {
        "Your workshop": {"address": "Mill Lane 3", "time_zone": "Europe/Vienna"},
        "An operator": {"name": "Tarn Lodge", "email": "fleet@tarn-lodge.example"},
        "A vehicle model": {"make": "Brae", "name": "Fell 4", "year_from": 2020},
        "Its specification": specification,
        "An instrument": {
            "serial": "T-1",
            "kind": "tape",
            "accuracy_class": "II",
            "resolution_mm": 1,
            "length_mm": 3000,
            "calibrated_on": today,
            "calibration_due_on": today.replace(year=today.year + 1, day=1),
        },
        "A vehicle": {"vin": vin},
    }
    done = []
    while (step := next_step(manager))[0] != "The first job":
        answer = send(manager, step[1], **typed[step[0]])
        assert answer.status_code == 302, errors_in(answer)
        assert answer["Location"] == "/first-steps/"
        done.append(step[0])
    assert done == list(typed)
    assert step[1] == f"/bench/#/vehicle/{vin}"
    monkeypatch.setattr(set_up, "_job_counters", [lambda _actor: Jobs(1, 1)])
    assert next_step(manager) == ("", "")
    assert "Your first job is signed off" in manager.get("/first-steps/").content.decode()


def test_a_step_given_up_leads_back_and_from_elsewhere_a_form_leads_to_its_list(manager: Client) -> None:
    assert 'href="/first-steps/">Cancel' in manager.get("/operators/new/?from=first-steps").content.decode()
    assert 'href="/operators/">Cancel' in manager.get("/operators/new/").content.decode()
    assert send(manager, "/operators/new/", name="Tarn Lodge")["Location"] == "/operators/"


def test_an_overdue_instrument_is_none_to_measure_with(site: Site, manager: Client) -> None:
    old = timezone.localdate().replace(year=2021, day=1)
    site.instrument(calibrated_on=old, calibration_due_on=old.replace(year=2022))
    assert states(manager)["An instrument"] == "missing"
    assert "1 overdue for calibration" in manager.get("/first-steps/").content.decode()


def test_a_specification_that_comes_into_force_later_is_still_missing(site: Site, manager: Client) -> None:
    model = site.specification(effective_from=timezone.localdate().replace(year=2090, day=1)).vehicle_model
    assert states(manager)["Its specification"] == "missing"
    assert f"/vehicle-models/{model.pk}/" in manager.get("/first-steps/").content.decode()

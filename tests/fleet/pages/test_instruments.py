"""Instruments: their state in words, withdrawals with the jobs in doubt, repeatability by person."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.ids import new_id
from fleet.selectors import instruments as selectors
from fleet.selectors import repeatability
from fleet.selectors.repeatability import PersonWithInstrument

from .conftest import Furnished
from .forms import send


def test_an_overdue_calibration_is_said_and_ends_with_the_next(furnished: Furnished, manager: Client) -> None:
    today = timezone.localdate()
    old = furnished.site.instrument(
        calibrated_on=today - timedelta(days=400), calibration_due_on=today - timedelta(days=35)
    )
    path = f"/instruments/{old.pk}/"
    assert "calibration overdue" in manager.get(path).content.decode()
    send(manager, f"{path}calibration/", calibrated_on=today, calibration_due_on=today + timedelta(days=365))
    assert "overdue" not in manager.get(path).content.decode()


def test_a_withdrawn_instrument_shows_the_jobs_measured_since_its_last_good_calibration(
    furnished: Furnished, manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = {"id": new_id(), "number": 4711, "vehicle": furnished.vehicle.vin, "opened_at": timezone.now()}
    asked: list[Any] = []

    def jobs(*about: Any) -> list[dict[str, Any]]:
        asked.append(about)
        return [job]

    monkeypatch.setattr(selectors, "_use_finders", [jobs])
    path = f"/instruments/{furnished.instrument.pk}/"
    send(manager, f"{path}withdrawal/", kind="found_out", since=timezone.localdate(), reason="Two mm long.")
    page = manager.get(path).content.decode()
    assert "This instrument is withdrawn" in page
    assert f'href="/jobs/{job["id"]}/"' in page
    assert asked[0][1:] == (furnished.instrument.pk, furnished.instrument.latest_calibration.calibrated_on)


def test_a_calibration_returns_it_to_use(furnished: Furnished, manager: Client) -> None:
    path, today = f"/instruments/{furnished.instrument.pk}/", timezone.localdate()
    send(manager, f"{path}withdrawal/", kind="damaged", since=today, reason="Hook bent.")
    send(manager, f"{path}calibration/", calibrated_on=today, calibration_due_on=today + timedelta(days=365))
    page = manager.get(path).content.decode()
    assert "This instrument is withdrawn" not in page
    assert "Hook bent." in page


def test_repeatability_and_slips_stand_beside_each_person_and_instrument(
    furnished: Furnished, manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    person, instrument = furnished.site.technician.membership, furnished.instrument
    known = PersonWithInstrument(person.pk, person.name, instrument.pk, instrument.serial, 0.714, 40, 3)
    monkeypatch.setattr(repeatability, "_finders", [lambda people, instruments: [known] * len([*people, *instruments])])
    for path, named in ((f"/instruments/{instrument.pk}/", person.name), (f"/people/{person.pk}/", instrument.serial)):
        page = manager.get(path).content.decode()
        for shown in (named, "0.71&nbsp;mm", ">40<", ">3<", "8&nbsp;%"):
            assert shown in page, (path, shown)


def test_whoever_may_not_set_up_sees_it_without_the_buttons(furnished: Furnished, browser_with: Any) -> None:
    page = browser_with("auditor").get(f"/instruments/{furnished.instrument.pk}/").content.decode()
    assert "withdrawal/" not in page
    assert "calibration/" not in page

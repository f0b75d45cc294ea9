"""Instruments: how accurate they are, whether their calibration holds, and what their withdrawal puts in doubt."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

import pytest

from fleet.actor import Actor
from fleet.selectors import instruments as selectors
from fleet.tenancy import in_workshop
from tests.factories import Site

INSTRUMENTS = "/api/v1/instruments/"
CALIBRATED = {"calibrated_on": "2026-01-10", "calibration_due_on": "2027-01-10"}
IN_FUTURE = {"calibrated_on": "2090-01-10", "calibration_due_on": "2091-01-10"}
CERTIFICATE = {"expanded_uncertainty_mm": 0.4, "coverage_factor": 2}
TAPE = {"serial": "T-7", "kind": "tape", "resolution_mm": 1, "length_mm": 3000, **CALIBRATED}


def post(site: Site, path: str, **body: Any) -> Any:
    return site.manager.client().post(path, body)


def test_a_class_or_a_certificate_states_the_accuracy(site: Site) -> None:
    by_class = post(site, INSTRUMENTS, **TAPE, accuracy_class="II").json()
    assert (by_class["accuracy_class"], by_class["certificate"]) == ("II", None)
    body = {**TAPE, "serial": "L-1", "kind": "laser", "certificate": CERTIFICATE}
    by_certificate = post(site, INSTRUMENTS, **body).json()
    assert (by_certificate["accuracy_class"], by_certificate["certificate"]) == (None, CERTIFICATE)


@pytest.mark.parametrize(
    ("changes", "pointer", "code"),
    [
        ({}, "/accuracy_class", "class_or_certificate"),
        ({"accuracy_class": "II", "certificate": CERTIFICATE}, "/accuracy_class", "class_or_certificate"),
        ({"accuracy_class": "IV"}, "/accuracy_class", "not_allowed"),
        ({"accuracy_class": "II", "resolution_mm": 100, "length_mm": 50}, "/resolution_mm", "resolution_too_large"),
        ({"accuracy_class": "II", "calibration_due_on": "2026-01-10"}, "/calibration_due_on", "due_before_calibrated"),
        ({"accuracy_class": "II", **IN_FUTURE}, "/calibrated_on", "in_future"),
        ({"certificate": {"expanded_uncertainty_mm": 0.4}}, "/certificate/coverage_factor", "required"),
        ({"certificate": {**CERTIFICATE, "coverage_factor": 0.5}}, "/certificate/coverage_factor", "too_small"),
    ],
)  # fmt: skip
def test_what_an_instrument_cannot_be(site: Site, changes: dict[str, Any], pointer: str, code: str) -> None:
    response = post(site, INSTRUMENTS, **{**TAPE, **changes})
    assert response.status_code == 422
    assert [(e["pointer"], e["code"]) for e in response.json()["errors"]] == [(pointer, code)]
    assert site.manager.client().get(INSTRUMENTS).json()["results"] == []


def test_a_serial_number_is_recorded_once(site: Site, other_site: Site) -> None:
    assert post(site, INSTRUMENTS, **TAPE, accuracy_class="II").status_code == 201
    again = post(site, INSTRUMENTS, **TAPE, accuracy_class="II")
    assert (again.status_code, again.json()["type"]) == (409, "serial_taken")
    assert post(other_site, INSTRUMENTS, **TAPE, accuracy_class="II").status_code == 201


def test_the_latest_calibration_counts(site: Site) -> None:
    made = post(site, INSTRUMENTS, **TAPE, certificate=CERTIFICATE).json()
    path = f"{INSTRUMENTS}{made['id']}/"
    newer = {"calibrated_on": "2026-06-01", "calibration_due_on": "2027-06-01"}
    without = post(site, f"{path}calibrations/", **newer)
    assert without.json()["errors"][0]["code"] == "certificate_required"
    certificate = {"expanded_uncertainty_mm": 0.6, "coverage_factor": 2}
    assert post(site, f"{path}calibrations/", **newer, certificate=certificate).status_code == 201
    older = {"calibrated_on": "2025-06-01", "calibration_due_on": "2026-06-01"}
    assert post(site, f"{path}calibrations/", **older, certificate=CERTIFICATE).status_code == 201
    now = site.manager.client().get(path).json()
    assert (now["calibrated_on"], now["certificate"]) == ("2026-06-01", certificate)
    with in_workshop(site.workshop.pk):
        in_may = selectors.calibration_at(UUID(made["id"]), date(2026, 5, 1))
        before_all = selectors.calibration_at(UUID(made["id"]), date(2020, 1, 1))
    assert in_may is not None
    assert in_may.calibrated_on == date(2026, 1, 10)
    assert before_all is None


def test_a_withdrawal_lists_the_jobs_since_the_last_good_calibration(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[UUID, date | None]] = []

    def finder(_actor: Actor, instrument: UUID, since: date | None) -> list[dict[str, Any]]:
        asked.append((instrument, since))
        return [{"id": "01933b7a-0c4e-7d5f-8a7e-2b1d0c9f8e7d", "number": 7}]

    monkeypatch.setattr(selectors, "_use_finders", [])
    selectors.register_use_finder(finder)
    made = post(site, INSTRUMENTS, **TAPE, accuracy_class="II").json()
    path = f"{INSTRUMENTS}{made['id']}/"
    newer = {"calibrated_on": "2026-06-01", "calibration_due_on": "2027-06-01"}
    post(site, f"{path}calibrations/", **newer)
    withdrawn = post(site, f"{path}withdrawal/", kind="found_out", since="2026-05-01", reason="0.9 mm off")
    assert withdrawn.status_code == 201, withdrawn.content
    assert [job["number"] for job in withdrawn.json()["jobs"]] == [7]
    assert set(asked) == {(UUID(made["id"]), date(2026, 1, 10))}


def test_a_withdrawn_instrument_returns_with_a_calibration(site: Site) -> None:
    instrument = site.instrument()
    path = f"{INSTRUMENTS}{instrument.pk}/"
    post(site, f"{path}withdrawal/", kind="lost", since="2026-05-01", reason="not in its drawer")
    assert site.manager.client().get(path).json()["is_withdrawn"] is True
    post(site, f"{path}calibrations/", calibrated_on="2026-06-01", calibration_due_on="2027-06-01")
    assert site.manager.client().get(path).json()["is_withdrawn"] is False


def test_a_withdrawal_lies_not_in_the_future(site: Site) -> None:
    path = f"{INSTRUMENTS}{site.instrument().pk}/withdrawal/"
    response = post(site, path, kind="lost", since="2090-05-01", reason="r")
    assert response.json()["errors"][0]["pointer"] == "/since"

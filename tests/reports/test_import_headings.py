"""Which headings mean which column: ordinary ones are known, and nobody guesses between two."""

from __future__ import annotations

import itertools

import pytest

from reports.imports.headings import HEADINGS, _keys, candidates, heading
from reports.imports.registry import KINDS, kind_of, suggested_mapping, undecided

CHECKS, VEHICLES = kind_of("checks"), kind_of("vehicles")


@pytest.mark.parametrize(
    ("written", "column"),
    [
        *[(each, "vin") for each in ("FIN", "vin", "VIN", "Fahrgestellnummer", "FAHRGESTELL-NR.", "chassis no.")],
        *[(each, "taken_at") for each in ("Datum", "Date", "Messdatum", "Datum / Uhrzeit", "gemessen am", "taken at")],
        *[(each, "clock") for each in ("Uhrzeit", "Time")],
        *[(each, "odometer_km") for each in ("km", "KM-Stand", "Kilometerstand", "Odometer (km)", "odometer [km]")],
        *[(each, "odometer_km") for each in ("Kilometerstand in km", "Odometer km", "Laufleistung", "odometer_km")],
        *[
            (each, "FL_mm")
            for each in ("FL", "VL", "front left", "Front-Left", "Höhe vorne links", "HOEHE VORNE LINKS")
        ],
        *[
            (each, "FL_mm")
            for each in ("Höhe VL [mm]", "VL (mm)", "FL mm", "height FL in mm", "ho\u0308he vorne links")
        ],
        *[(each, "FR_mm") for each in ("FR", "VR", "front right", "Höhe vorne rechts", "right front")],
        *[(each, "RL_mm") for each in ("RL", "HL", "rear left", "hinten links", "Höhe HL")],
        *[(each, "RR_mm") for each in ("RR", "HR", "rear right", "hinten rechts", "Höhe hinten rechts")],
        *[(each, "temperature_deg_c") for each in ("Temperatur (°C)", "Außentemperatur", "temp.", "AUSSENTEMPERATUR")],
        *[(each, "note") for each in ("Bemerkung", "Remarks", "Kommentar")],
        *[(each, "loading") for each in ("Beladung", "Loading")],
        *[(each, "instrument") for each in ("Maßband", "Messgerät", "tape")],
        ("id", "id"),
    ],
)
def test_ordinary_headings_of_checks_are_known(written: str, column: str) -> None:
    assert suggested_mapping(CHECKS, [written, "something else"]) == {column: written}


@pytest.mark.parametrize(
    ("written", "column"),
    [
        *[(each, "registration") for each in ("Kennzeichen", "Reg. no.", "plate", "amtl. Kennzeichen", "number plate")],
        *[(each, "make") for each in ("make", "Hersteller", "Marke", "manufacturer")],
        *[(each, "model") for each in ("model", "Modell", "MODEL")],
        *[(each, "model_year") for each in ("Baujahr", "model year", "Modelljahr")],
        *[(each, "operator") for each in ("Betreiber", "Halter", "customer", "Operator")],
    ],
)
def test_ordinary_headings_of_vehicles_are_known(written: str, column: str) -> None:
    assert suggested_mapping(VEHICLES, [written, "something else"]) == {column: written}


@pytest.mark.parametrize(
    "written",
    ["Odometer (mi)", "mileage", "FL (in)", "Höhe VL (cm)", "Temperatur (°F)", "Links", "Höhe", "Nr.", "ID"],
)
def test_other_units_and_what_says_too_little_are_not_taken(written: str) -> None:
    assert suggested_mapping(CHECKS, [written]) == {}
    assert undecided(CHECKS, [written]) == {}


def test_between_two_nobody_guesses() -> None:
    found = ["FIN", "Fahrgestellnummer", "Datum", "Prüfdatum", "VL"]
    assert suggested_mapping(CHECKS, found) == {"FL_mm": "VL"}
    assert undecided(CHECKS, found) == {"vin": found[:2], "taken_at": found[2:4]}


def test_the_interfaces_own_name_is_the_column_whatever_else_there_is() -> None:
    assert suggested_mapping(CHECKS, ["FIN", "vin"]) == {"vin": "vin"}
    assert undecided(CHECKS, ["FIN", "VIN"]) == {"vin": ["FIN", "VIN"]}


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_no_heading_means_two_columns(kind: object) -> None:
    names = [each.name for each in kind.columns()]  # type: ignore[attr-defined]
    for one, other in itertools.combinations(names, 2):
        assert not _keys(one) & _keys(other), (one, other)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("language", ["en", "de"])
def test_the_headings_that_are_offered_are_known(kind: object, language: str) -> None:
    names = [each.name for each in kind.columns() if each.name in HEADINGS]  # type: ignore[attr-defined]
    offered = {name: heading(name, language) for name in names}
    assert candidates(names, list(offered.values())) == {name: [each] for name, each in offered.items()}

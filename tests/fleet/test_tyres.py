"""Tyre designations and dimensions (tests/reference/tyre_*.csv, tyre_rules.json; certainty stated there)."""

from __future__ import annotations

import csv
import json
import math
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.tyres import TyreError, load_capacity_kg, parse_tyre_size, sidewall_of, speed_limit_km_h

FOLDER = Path(__file__).parents[1] / "reference"
RULES = json.loads((FOLDER / "tyre_rules.json").read_text())


def rows(name: str) -> list[dict[str, str]]:
    with (FOLDER / name).open(newline="") as file:
        return list(csv.DictReader(file))


METRIC = [row for row in rows("tyre_dimensions.csv") if row["section_mm"]]


@pytest.mark.parametrize("row", METRIC, ids=lambda row: row["size"])
def test_the_overall_diameter_agrees_with_the_collected_table(row: dict[str, str]) -> None:
    """Formula read in public pages, rounding after UN R30, 6.1 from memory, ETRTO diameters from memory."""
    size = parse_tyre_size(row["size"])
    assert size.overall_diameter_mm == int(row["od_rounded_design_mm"])
    assert abs(size.overall_diameter_mm - float(row["od_exact_mm"])) <= 1.5
    assert size.section_width_mm == Decimal(row["section_mm"])
    assert size.aspect_ratio_pct == int(row["aspect_pct"])


@pytest.mark.parametrize(("size", "circumference_mm"), [
    (size.partition(" ")[0], value) for size, value in RULES["rolling_circumference"]["examples_mm"].items()
])  # fmt: skip
def test_the_rolling_circumference_is_3_05_diameters(size: str, circumference_mm: float) -> None:
    """ETRTO factor, from memory."""
    tyre = parse_tyre_size(size)
    assert tyre.rolling_circumference_mm == pytest.approx(circumference_mm, abs=1e-9)
    assert tyre.revolutions_per_km == pytest.approx(1e6 / circumference_mm)
    assert tyre.free_radius_mm == tyre.overall_diameter_mm / 2


@pytest.mark.parametrize(
    "text",
    ["235/65R16C 115/113R", "235/65 r16c 115/113 r", "235 / 65 R 16 C 115 / 113 R", "235/65R16C115/113R"],
)
def test_a_sidewall_is_read_in_whatever_case_and_spacing(text: str) -> None:
    """ISO 4000-1 notation of a commercial tyre, from memory: single and dual load index, speed symbol."""
    tyre = parse_tyre_size(text)
    assert (tyre.section_width_mm, tyre.aspect_ratio_pct, tyre.rim_diameter_in) == (Decimal(235), 65, Decimal(16))
    assert tyre.commercial
    assert (tyre.load_index, tyre.load_index_dual, tyre.speed_symbol) == (115, 113, "R")


def test_a_diagonal_tyre_rolls_2_99_diameters() -> None:
    """ETRTO factor, from memory."""
    diagonal, dash = parse_tyre_size("205/65D15"), parse_tyre_size("205/65-15")
    assert diagonal.construction == dash.construction == "D"
    assert diagonal.rolling_circumference_mm == pytest.approx(2.99 * 647)


def test_the_dynamic_radius_is_near_the_empirical_ratio_of_the_joint_research_centre() -> None:
    """CO2MPAS uses 0.975 of the free radius (read); 3.05/(2 pi) must come within one percent of it."""
    tyre = parse_tyre_size("255/60R18")
    assert tyre.rolling_circumference_mm / math.tau / tyre.free_radius_mm == pytest.approx(0.975, rel=0.01)


@pytest.mark.parametrize("row", rows("tyre_load_index.csv"), ids=lambda row: row["load_index"])
def test_every_load_index_carries_what_the_public_tables_say(row: dict[str, str]) -> None:
    assert load_capacity_kg(int(row["load_index"])) == int(row["kg"])


@pytest.mark.parametrize("row", rows("tyre_speed_symbol.csv"), ids=lambda row: row["symbol"])
def test_every_speed_symbol_means_what_the_public_table_says(row: dict[str, str]) -> None:
    assert speed_limit_km_h(row["symbol"]) == int(row["km_h"])


@pytest.mark.parametrize("load_index", [0, 59, 131, 152, 279])
def test_a_load_index_beyond_the_table_has_no_known_capacity(load_index: int) -> None:
    assert load_capacity_kg(load_index) is None


@pytest.mark.parametrize("load_index", [-1, 280, 10**30])
def test_what_is_no_load_index_is_refused(load_index: int) -> None:
    with pytest.raises(TyreError) as refused:
        load_capacity_kg(load_index, pointer="/tyres/FL/load_index")
    (error,) = refused.value.errors
    assert (error.pointer, error.code) == ("/tyres/FL/load_index", "load_index_unknown")
    assert "0 to 279" in str(error.detail)


@pytest.mark.parametrize("symbol", ["", "I", "O", "X", "Z", "v", "A9", "VV", "\0"])
def test_an_unknown_speed_symbol_is_refused(symbol: str) -> None:
    with pytest.raises(TyreError, match="A1, A2"):
        speed_limit_km_h(symbol)


@pytest.mark.parametrize(
    ("text", "system", "designation"),
    [
        ("255/60R18", "metric", "255/60R18"),
        (" 255/60 r 18 ", "metric", "255/60 R 18"),
        ("P255/60R18", "P", "P255/60R18"),
        ("LT245/75R16", "LT", "LT245/75R16"),
        ("31x10.50R15LT", "flotation", "31x10.50R15LT"),
        ("31×10.50R15 LT", "flotation", "31x10.50R15 LT"),
        ("205/65R16C 107/105T", "metric", "205/65R16C 107/105T"),
        ("255/35ZR19 (96Y) XL", "metric", "255/35ZR19 (96Y) XL"),
    ],
)  # fmt: skip
def test_each_kind_of_designation_is_read(text: str, system: str, designation: str) -> None:
    size = parse_tyre_size(text)
    assert (size.system, str(size)) == (system, designation)


def test_the_service_description_is_taken_apart() -> None:
    size = parse_tyre_size("LT245/75R16 120/116S")
    assert (size.load_index, size.load_index_dual, size.speed_symbol) == (120, 116, "S")
    sporting = parse_tyre_size("255/35ZR19 96Y XL")
    assert (sporting.above_240_km_h, sporting.extra_load, sporting.commercial) == (True, True, False)
    assert parse_tyre_size("205/65R16C").commercial


@pytest.mark.parametrize("size", ["255/60R18", "LT255/60R18", "31x10.50R15LT"])
@pytest.mark.parametrize("written", ["XL", "xl", "Extra Load", "EXTRALOAD", "RF", "REINF", "Reinf.", "REINFORCED"])
@pytest.mark.parametrize("text", ["{size} {written} 112V", "{size} 112V {written}", "{size}{written}112V"])
def test_a_reinforced_tyre_is_read_wherever_and_however_that_is_written(size: str, written: str, text: str) -> None:
    tyre = parse_tyre_size(text.format(size=size, written=written))
    assert (tyre.extra_load, tyre.load_index, tyre.speed_symbol) == (True, 112, "V")
    assert tyre.size_alone == size
    plain = parse_tyre_size(f"{size} 112V")
    assert not plain.extra_load
    assert tyre.overall_diameter_mm == plain.overall_diameter_mm


def test_a_recorded_tyre_says_once_that_it_is_reinforced() -> None:
    for size in ("255/60R18 XL 112V", "255/60R18 112V REINF", "255/60R18 Extra Load"):
        assert sidewall_of({"size": size, "load_index": 112, "speed_symbol": "V"}) == "255/60R18 112V XL"


def test_a_designation_without_service_description_claims_none() -> None:
    size = parse_tyre_size("255/60R18")
    assert (size.load_index, size.load_index_dual, size.speed_symbol) == (None, None, None)


def test_an_inch_flotation_size_states_its_diameter() -> None:
    size = parse_tyre_size("31x10.50R15LT 109Q")
    assert size.overall_diameter_mm == 787
    assert size.section_width_mm == Decimal("266.7")
    assert (size.aspect_ratio_pct, size.rim_diameter_in) == (None, Decimal(15))


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "tyre_size"),
        ("255", "tyre_size"),
        ("255/60", "tyre_size"),
        ("255-60-18", "tyre_size"),
        ("T125/70D17", "tyre_size"),
        ("255/60R18 112", "tyre_size"),
        ("255/60R18 V", "tyre_size"),
        ("255/60R18\n112V; DROP", "tyre_size"),
        ("255/60R18\0", "tyre_size"),
        ("255/60R18 EXTRA 112V", "tyre_size"),
        ("255/60R18 XL 112", "tyre_size"),
        ("２５５/60R18", "tyre_size"),
        ("255/60R18" + " " * 3 + "1" * 5000, "tyre_size"),
        ("999/60R18", "tyre_dimension"),
        ("090/60R18", "tyre_dimension"),
        ("255/10R18", "tyre_dimension"),
        ("255/60R99", "tyre_dimension"),
        ("255/60R00", "tyre_dimension"),
        ("14x10.5R15", "tyre_dimension"),
        ("31x01R15", "tyre_dimension"),
        ("255/60R18 280V", "load_index_unknown"),
        ("255/60R18 112/999V", "load_index_unknown"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_stable_code(text: str, code: str) -> None:
    with pytest.raises(TyreError) as refused:
        parse_tyre_size(text, pointer="/tyres/FL/size")
    assert refused.value.reason == code
    assert refused.value.errors[0].pointer == "/tyres/FL/size"


@given(st.text(alphabet="0123456789PLTRDZX/.-() CVxr\0é", max_size=45) | st.text())
@settings(deadline=None)
def test_any_text_is_either_a_plausible_tyre_or_refused(text: str) -> None:
    try:
        size = parse_tyre_size(text)
    except TyreError:
        return
    assert 254 < size.overall_diameter_mm < 2600
    assert size.revolutions_per_km > 0


@given(st.integers(100, 500), st.integers(20, 95), st.integers(10, 30))
@settings(deadline=None)
def test_every_metric_size_is_within_2_mm_of_the_unrounded_formula(width: int, aspect: int, rim: int) -> None:
    """D = d + 2 H, read in public pages; roundings add up to 1.5 mm."""
    size = parse_tyre_size(f"{width}/{aspect}R{rim}")
    assert abs(size.overall_diameter_mm - (rim * 25.4 + 2 * width * aspect / 100)) <= 1.5


def test_a_section_height_of_half_a_millimetre_is_rounded_up() -> None:
    """195/70R15: 136.5 mm counts as 137, so 655 mm overall (ETRTO diameter, from memory)."""
    assert parse_tyre_size("195/70R15").overall_diameter_mm == 655

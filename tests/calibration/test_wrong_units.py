"""Heights meant in another unit are refused, and it is said in which they seem to be."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from fleet.errors import Invalid
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    return Bench.with_one_low(site)


class TestConcessionTargets:
    @pytest.mark.parametrize(("front_mm", "unit"), [(19.1, "inches"), (48.6, "centimetres"), (0.49, "metres")])
    def test_in_another_unit_are_refused_by_field(self, bench: Bench, front_mm: float, unit: str) -> None:
        with pytest.raises(Invalid) as refusal:
            bench.concede(front_mm=front_mm)
        [error] = refusal.value.errors
        assert (error.pointer, error.code) == ("/front_target_mm", "wrong_unit")
        for words in (
            f"{front_mm:g} mm is more than 150 mm",
            "target of 486 mm",
            f"looks like {unit}",
            "in millimetres",
        ):
            assert words in str(error.detail)

    def test_far_off_in_any_unit_are_refused_too(self, bench: Bench) -> None:
        with pytest.raises(Invalid) as refusal:
            bench.concede(front_mm=4860)
        assert [each.code for each in refusal.value.errors] == ["implausible_height"]

    def test_both_axles_are_named(self, bench: Bench) -> None:
        with pytest.raises(Invalid) as refusal:
            bench.concede(front_mm=48, rear_mm=50)
        assert [each.pointer for each in refusal.value.errors] == ["/front_target_mm", "/rear_target_mm"]

    @pytest.mark.parametrize("front_mm", [336, 640, 700])
    def test_far_off_but_in_no_other_unit_are_for_another_person_to_judge(self, bench: Bench, front_mm: float) -> None:
        assert bench.concede(front_mm=front_mm).front_target_mm == Decimal(front_mm)
        assert bench.reason == "concession"


@pytest.mark.parametrize(("height", "unit"), [(0.47, "metres"), (18.5, "inches"), (47.0, "centimetres")])
def test_a_reading_in_another_unit_says_which(bench: Bench, height: float, unit: str) -> None:
    readings: list[dict[str, Any]] = [
        {"corner": corner, "height_mm": Decimal(str(height))} for corner in COUNTS for _ in range(2)
    ]
    with pytest.raises(Invalid, match=f"looks like {unit}"):
        bench.measure(readings=readings)

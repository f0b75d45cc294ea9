"""What other tyres change, and what of it is worth saying."""

from __future__ import annotations

import pytest

from calibration.metrology.corners import CORNERS, Corner
from calibration.rules.tyre_comparison import FittedTyre, TyreComparison, compare
from calibration.rules.tyre_texts import tyre_note_text

# 255/60R18: 18 in × 25.4 + 2 × 153 mm = 763 mm. Factor 3.05 of the circumference: from memory.
REFERENCE = FittedTyre(763, 763 * 3.05, 1120)


def tyre(diameter_mm: float, capacity_kg: float | None = 1120) -> FittedTyre:
    return FittedTyre(diameter_mm, diameter_mm * 3.05, capacity_kg)


def compared(
    changes: dict[Corner, FittedTyre] | None = None,
    *,
    reference: FittedTyre | None = REFERENCE,
    load_kg: float | None = 1450,
    height_mm: float | None = 486,
    everywhere: FittedTyre = REFERENCE,
) -> TyreComparison:
    return compare(
        {corner: (changes or {}).get(corner, everywhere) for corner in CORNERS},
        reference=reference,
        axle_load_kg={"front": load_kg, "rear": load_kg},
        heights_mm=None if height_mm is None else dict.fromkeys(CORNERS, height_mm),
    )


def codes(comparison: TyreComparison) -> list[str]:
    return [each.code for each in comparison.notes]


def test_the_reference_tyre_itself_changes_nothing_and_is_not_remarked_upon() -> None:
    found = compared()
    assert found.notes == ()
    assert found.corners["FL"].hub_rise_mm == 0
    assert found.overreading_needed_pct == 0
    assert [each.shown_km_h for each in found.speed] == pytest.approx([40, 80, 120])


def test_a_larger_tyre_raises_the_hub_takes_room_and_makes_the_speedometer_show_too_little() -> None:
    """UN R39, 5.3: a speedometer never shows less than the truth."""
    found = compared(everywhere=tyre(815))
    assert found.corners["RR"].hub_rise_mm == pytest.approx(26)
    assert found.corners["RR"].arch_clearance_mm == pytest.approx(486 - 407.5)
    assert codes(found) == ["speed_reads_low"]
    assert found.speed[1].shown_km_h == pytest.approx(80 * 763 / 815)
    assert found.overreading_needed_pct == pytest.approx(100 * (815 / 763 - 1))


def test_a_much_smaller_tyre_makes_it_show_more_than_is_permitted() -> None:
    """UN R39, 5.3: at a true 120 km/h at most 120 · 1.1 + 4 = 136 km/h."""
    assert codes(compared(everywhere=tyre(763 * 120 / 135))) == []
    assert codes(compared(everywhere=tyre(763 * 120 / 137))) == ["speed_reads_high"]


def test_tyres_that_differ_on_an_axle_or_between_axles_are_remarked_upon() -> None:
    other = tyre(763 * 0.98)
    on_axle = [each for each in compared({"FL": other}).notes if each.code == "tyres_differ_on_axle"]
    assert [each.axle for each in on_axle] == ["front"]
    assert on_axle[0].values["difference_pct"] == pytest.approx(100 * (0.98 - 1) / 0.99)
    assert codes(compared({"RL": other, "RR": other})) == ["tyres_differ_between_axles"]


@pytest.mark.parametrize(("share", "remarked"), [(0.992, False), (0.988, True)])
def test_a_little_wear_is_not(share: float, remarked: bool) -> None:
    assert ("tyres_differ_on_axle" in codes(compared({"RL": tyre(763 * share)}))) is remarked


def test_a_tyre_that_reaches_the_arch_is_told_at_its_corner() -> None:
    notes = [each for each in compared({"RL": tyre(972)}).notes if each.code == "arch_touched"]
    assert [each.corner for each in notes] == ["RL"]
    assert "Do not drive" in tyre_note_text(notes[0])


def test_an_axle_bears_twice_what_its_weaker_tyre_may() -> None:
    loads = compared({"FL": tyre(763, 700)}).axle_loads
    assert loads["front"] is not None
    assert (loads["front"].capacity_kg, loads["front"].sufficient) == (1400, False)
    assert loads["rear"] is not None
    assert loads["rear"].sufficient


def test_what_is_not_known_is_left_out() -> None:
    found = compared({"FL": tyre(763, None)}, reference=None, height_mm=None)
    assert (found.speed, found.overreading_needed_pct) == ((), None)
    assert found.corners["FL"].difference is None
    assert found.corners["FL"].arch_clearance_mm is None
    assert found.axle_loads["front"] is None
    assert compared(load_kg=None).axle_loads == {"front": None, "rear": None}


def test_notes_give_their_figures() -> None:
    [note] = compared(everywhere=tyre(815)).notes
    assert "shows 112.3 km/h at a true 120 km/h" in tyre_note_text(note)
    [note] = compared({"RL": tyre(740), "RR": tyre(740)}).notes
    assert "differ by 3.1 %" in tyre_note_text(note)

"""The drawing of the wheels: to scale, on one ground, with the arch as far above the hub as measured."""

from __future__ import annotations

import pytest
from reportlab.graphics.shapes import Circle, Drawing, Group, Line, PolyLine, Shape, String

from reports.drawing import palette
from reports.drawing.wheels import HEIGHT, WIDTH, Wheel, describe, draw_wheels

LARGER = Wheel("Front axle", "275/65R18", 815, reference_diameter_mm=763, height_mm=486)
SAME = Wheel("Rear axle", "255/60R18", 763, reference_diameter_mm=763, height_mm=504)
UNKNOWN = Wheel("Rear axle", "255/60R18", 763)


def shapes_of(group: Group | Drawing) -> list[Shape]:
    found: list[Shape] = []
    for item in group.contents:
        found += shapes_of(item) if isinstance(item, Group) else [item]
    return found


def circles(drawing: Drawing, *, dashed: bool) -> list[Circle]:
    found = [each for each in shapes_of(drawing) if isinstance(each, Circle) and each.r > 5]
    return [each for each in found if bool(getattr(each, "strokeDashArray", None)) is dashed]


def test_all_wheels_stand_on_the_ground_to_one_scale() -> None:
    drawing = draw_wheels((LARGER, SAME), "mm")
    [ground] = [each for each in shapes_of(drawing) if isinstance(each, Line)]
    fitted, reference = circles(drawing, dashed=False), circles(drawing, dashed=True)
    assert [each.cy - each.r for each in (*fitted, *reference)] == pytest.approx([ground.y1] * 4)
    assert fitted[0].r / fitted[1].r == pytest.approx(815 / 763)
    assert reference[0].r == pytest.approx(fitted[1].r)


def test_the_arch_is_as_far_above_the_hub_as_it_was_measured() -> None:
    drawing = draw_wheels((LARGER, SAME), "mm")
    arches = [each for each in shapes_of(drawing) if isinstance(each, PolyLine)]
    for wheel, tyre, arch in zip((LARGER, SAME), circles(drawing, dashed=False), arches, strict=True):
        top = max(arch.points[1::2])
        assert wheel.height_mm is not None
        assert (top - tyre.cy) / tyre.r == pytest.approx(wheel.height_mm / (wheel.diameter_mm / 2))


@pytest.mark.parametrize(
    "wheels",
    [
        (LARGER, SAME),
        (LARGER, UNKNOWN),
        (Wheel("Front axle", "37x12.50R17LT", 940, 763, 430), SAME),
        (Wheel("Front axle", "a long designation beyond all sizes known", 600, 1200, 900), SAME),
    ],
)
def test_nothing_leaves_the_sheet(wheels: tuple[Wheel, Wheel]) -> None:
    drawing = draw_wheels(wheels, "inch")
    left, bottom, right, top = drawing.getBounds()
    assert left >= 0
    assert bottom >= 0
    assert right <= WIDTH
    assert top <= HEIGHT


def test_what_is_not_known_is_not_drawn_and_is_said() -> None:
    drawing = draw_wheels((UNKNOWN, UNKNOWN), "mm")
    assert circles(drawing, dashed=True) == []
    assert not [each for each in shapes_of(drawing) if isinstance(each, PolyLine)]
    assert [each.text for each in shapes_of(drawing) if isinstance(each, String)].count(
        "not measured in a job yet"
    ) == 2


def test_it_is_told_in_words_in_the_readers_unit() -> None:
    told = describe((LARGER, UNKNOWN), "inch")
    assert "Front axle: 275/65R18. The hub stands +1.02 in higher than on the reference tyre." in told
    assert "3.09 in are left between tyre and arch." in told
    assert told.endswith("Rear axle: 255/60R18.")


def test_colours_are_those_of_the_palette() -> None:
    """The page's themes change colours by their names in the palette."""
    drawing = draw_wheels((LARGER, SAME), "mm")
    used = {getattr(each, "strokeColor", None) for each in shapes_of(drawing) if not isinstance(each, String)}
    assert used <= {palette.INK, palette.SOFT_INK, palette.BLUE}

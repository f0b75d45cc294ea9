"""The plan view: drawn to scale, readable without colour, and fit for a strict content security policy."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
import segno
from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Path, Polygon, Rect, Shape, String
from reportlab.lib.colors import Color

from calibration.metrology.corners import CORNERS, Corner
from reports.certificate.qr import qr_drawing
from reports.drawing import palette
from reports.drawing.fonts import printable
from reports.drawing.marks import bar_mark
from reports.drawing.plan_view import HEIGHT, LEAST_HEIGHT, PlanView, PlanViewCorner, describe, draw_plan_view, span_mm
from reports.drawing.quantities import distance, length, pressure, rounded
from reports.drawing.svg import to_svg

SVG = "{http://www.w3.org/2000/svg}"


def corner(deviation_mm: float | None, verdict: str | None, *, uncertainty_mm: float = 2.6) -> PlanViewCorner:
    tolerance = None if deviation_mm is None else 6.0
    return PlanViewCorner(486.0 + (deviation_mm or 0.0), uncertainty_mm, deviation_mm, tolerance, verdict)


def view(**changes: PlanViewCorner) -> PlanView:
    corners: dict[Corner, PlanViewCorner] = {
        "FL": corner(11.5, "outside"),
        "FR": corner(4.1, "undecided"),
        "RL": corner(0.0, "within"),
        "RR": corner(None, None),
    }
    return PlanView("As found", {**corners, **changes})  # type: ignore[dict-item]


def shapes_of(group: Group | Drawing) -> list[Shape]:
    found: list[Shape] = []
    for item in group.contents:
        found += shapes_of(item) if isinstance(item, Group) else [item]
    return found


def bands(drawing: Drawing) -> list[Rect]:
    return [shape for shape in shapes_of(drawing) if isinstance(shape, Rect) and shape.fillColor == palette.TOLERANCE]


def whiskers(drawing: Drawing) -> list[Line]:
    """The upright strokes in ink; axes are drawn in the colour of rules."""
    lines = [shape for shape in shapes_of(drawing) if isinstance(shape, Line)]
    return [line for line in lines if line.x1 == line.x2 and line.strokeColor == palette.INK]


def words(drawing: Drawing) -> list[str]:
    return [shape.text for shape in shapes_of(drawing) if isinstance(shape, String)]


class TestScale:
    def test_band_whisker_and_mark_share_one_scale(self) -> None:
        drawing = draw_plan_view(view())
        points_per_mm = bands(drawing)[0].height / 12.0
        assert [whisker.y2 - whisker.y1 for whisker in whiskers(drawing)] == pytest.approx([5.2 * points_per_mm] * 3)
        (diamond,) = [shape for shape in shapes_of(drawing) if isinstance(shape, Polygon)]
        centre = (diamond.points[1] + diamond.points[5]) / 2
        target = bands(drawing)[0].y + bands(drawing)[0].height / 2
        assert centre - target == pytest.approx(11.5 * points_per_mm)

    def test_two_views_drawn_to_one_span_have_equal_bands(self) -> None:
        found, left = view(), view(FL=corner(0.5, "within"))
        span = span_mm([found, left])
        first, second = (bands(draw_plan_view(each, span=span))[0].height for each in (found, left))
        assert first == pytest.approx(second)
        assert bands(draw_plan_view(left))[0].height > second

    @pytest.mark.parametrize("deviation_mm", [-148.0, -30.0, 0.0, 30.0, 148.0])
    def test_every_mark_stays_inside_the_drawing(self, deviation_mm: float) -> None:
        drawing = draw_plan_view(view(FL=corner(deviation_mm, "outside"), RR=corner(-deviation_mm, "outside")))
        left, bottom, right, top = drawing.getBounds()
        assert left >= 0
        assert bottom >= 0
        assert right <= drawing.width
        assert top <= drawing.height

    def test_a_lower_drawing_has_type_as_large_and_bars_that_do_not_meet(self) -> None:
        high, low = (draw_plan_view(view(), height=height) for height in (HEIGHT, LEAST_HEIGHT))
        sizes = [[shape.fontSize for shape in shapes_of(each) if isinstance(shape, String)] for each in (high, low)]
        assert sizes[0] == sizes[1]
        assert min(sizes[1]) >= 7.5
        axes = [shape for shape in shapes_of(low) if isinstance(shape, Line) and shape.strokeColor == palette.RULE]
        lefts = sorted((line for line in axes if line.x1 < low.width / 2), key=lambda line: line.y1)
        assert [len(axes), len(lefts)] == [3, 2], "no bar where nothing says what the height should be"
        assert 0 < lefts[0].y1 < lefts[0].y2 < lefts[1].y1 < lefts[1].y2 < low.height - 11
        assert bands(low)[0].height < bands(high)[0].height

    def test_without_a_specification_there_is_neither_bar_nor_band(self) -> None:
        corners = {each: corner(None, None) for each in CORNERS}
        drawing = draw_plan_view(PlanView("As found", corners))
        assert bands(drawing) == []
        assert whiskers(drawing) == []
        assert words(drawing).count("not judged") == 4


class TestReadableWithoutColour:
    def test_height_deviation_uncertainty_and_verdict_are_written(self) -> None:
        texts = words(draw_plan_view(view()))
        for text in ("As found", "Front left", "497.5 mm", "+11.5 ± 2.6", "outside", "undecided", "within"):
            assert text in texts

    def test_each_verdict_has_its_own_shape(self) -> None:
        marks = [bar_mark(0, 0, palette.verdict_look(each)) for each in ("within", "outside", "undecided")]
        assert [type(mark) for mark in marks] == [Circle, Polygon, Circle]
        disc, _diamond, ring = marks
        assert isinstance(disc, Circle)
        assert isinstance(ring, Circle)
        assert ring.fillColor == palette.WHITE != disc.fillColor

    @pytest.mark.parametrize("verdict", ["within", "outside", "undecided", None])
    @pytest.mark.parametrize("paper", [palette.WHITE, palette.TINT])
    def test_verdict_words_are_legible(self, verdict: str | None, paper: Color) -> None:
        """At least 4.5 to 1 (WCAG 2.2, 1.4.3)."""
        assert contrast(palette.verdict_look(verdict).colour, paper) >= 4.5

    def test_soft_text_is_legible(self) -> None:
        """At least 4.5 to 1 (WCAG 2.2, 1.4.3)."""
        assert contrast(palette.SOFT_INK, palette.WHITE) >= 4.5

    def test_long_words_are_made_smaller_and_not_cut(self) -> None:
        remark = "does not count any longer as the sensor was replaced"
        drawing = draw_plan_view(view(FL=PlanViewCorner(497.5, 2.6, 11.5, 6.0, "outside", remark)))
        (shape,) = [each for each in shapes_of(drawing) if isinstance(each, String) and each.text == remark]
        assert shape.fontSize < 8.5

    def test_the_description_says_what_the_drawing_shows(self) -> None:
        assert describe(view()) == (
            "As found: Front left 497.5 mm, outside; Front right 490.1 mm, undecided; "
            "Rear left 486.0 mm, within; Rear right 486.0 mm, not judged."
        )


def luminance(colour: Color) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour.rgb()]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: Color, second: Color) -> float:
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


class TestSvg:
    def svg(self, prefix: str = "found") -> str:
        return to_svg(draw_plan_view(view()), title="As <found>", description=describe(view()), id_prefix=prefix)

    def elements(self) -> list[ElementTree.Element]:
        return list(ElementTree.fromstring(self.svg()).iter())  # noqa: S314 - our own drawing

    def test_nothing_in_it_needs_an_exception_from_the_content_security_policy(self) -> None:
        for element in self.elements():
            assert element.tag.removeprefix(SVG) in {"svg", "title", "desc", "g", "text", "rect", "path", "line",
                                                     "polyline", "polygon", "circle"}  # fmt: skip
            assert "style" not in element.attrib
            assert not [name for name in element.attrib if name.startswith("on") or name.endswith("href")]

    def test_it_is_named_and_described_by_its_own_ids(self) -> None:
        root, elements = self.elements()[0], {e.get("id"): e for e in self.elements() if e.get("id")}
        assert root.get("role") == "img"
        assert root.get("aria-labelledby") == "found-title found-desc"
        assert elements["found-title"].text == "As <found>"
        assert elements["found-desc"].text == describe(view())
        assert [each.tag for each in root][:2] == [f"{SVG}title", f"{SVG}desc"]

    def test_two_drawings_on_one_page_share_no_id(self) -> None:
        ids = [e.get("id") for e in self.elements() if e.get("id")]
        assert len(ids) == len(set(ids))
        assert all(each and each.startswith("found-") for each in ids)

    def test_no_doctype_or_declaration_stands_in_the_way_of_a_page(self) -> None:
        assert self.svg().startswith("<svg ")

    def test_text_keeps_its_place_in_whatever_font_the_reader_has(self) -> None:
        texts = [element for element in self.elements() if element.tag == f"{SVG}text"]
        assert {"497.5 mm", "+11.5 ± 2.6", "outside"} <= {element.text for element in texts}
        for element in texts:
            assert float(element.attrib["textLength"]) > 0
            assert element.attrib["font-family"].endswith("sans-serif")

    def test_equal_drawings_give_equal_text(self) -> None:
        assert self.svg() == self.svg()


class TestQuantities:
    @pytest.mark.parametrize(
        ("value", "decimals", "text"),
        [(2.25, 1, "2.3"), (-2.25, 1, "−2.2"), (2.249999, 1, "2.2"), (0.05, 1, "0.1"), (-0.04, 1, "0.0")],
    )
    def test_halves_are_rounded_up_as_written(self, value: float, decimals: int, text: str) -> None:
        """Common practice, no source."""
        assert rounded(value, decimals) == text

    def test_an_inch_is_25_4_mm_and_a_mile_1609_344_m(self) -> None:
        """NIST SP 811, appendix B.8: both exact."""
        assert length(486.0, "inch") == "19.13"
        assert length(254.0, "inch") == "10.00"
        assert distance(160.9344, "mile") == "100 mi"

    def test_pressures_are_converted(self) -> None:
        """NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa; 1 bar = 100 kPa exactly."""
        assert pressure(250.0, "bar") == "2.50 bar"
        assert pressure(6.894757 * 36, "psi") == "36 psi"

    def test_unprintable_characters_are_named_and_invisible_ones_dropped(self) -> None:
        assert printable("a\u0308 ≤ ß\t\u200b中") == "ä ≤ ß [U+4E2D]"


class TestQrCode:
    def test_every_module_is_drawn_where_the_code_has_it(self) -> None:
        """Against segno's matrix; that a scanner reads it was tried by hand with zbar."""
        url = "https://levelbook.example/verify/7KQM3XTD9WPA"
        matrix = [list(map(bool, row)) for row in segno.make(url, error="m", micro=False).matrix]
        side = float(len(matrix) + 8)
        (path,) = shapes_of(qr_drawing(url, side))
        assert isinstance(path, Path)
        drawn = [[False] * len(matrix) for _ in matrix]
        corners = list(zip(path.points[0::2], path.points[1::2], strict=True))
        for index in range(0, len(corners), 4):
            (left, bottom), (right, _) = corners[index : index + 2]
            row = round(side - bottom - 1 - 4)
            for column in range(round(left - 4), round(right - 4)):
                drawn[row][column] = True
        assert drawn == matrix

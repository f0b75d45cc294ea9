"""A drawing as SVG for a page whose content security policy allows no inline style or script."""

from __future__ import annotations

from xml.etree import ElementTree

from reportlab.graphics import renderSVG
from reportlab.graphics.shapes import Drawing
from reportlab.pdfbase.pdfmetrics import stringWidth

from . import palette
from .fonts import REGULAR, SEMIBOLD

_SVG = "http://www.w3.org/2000/svg"
_FONT_STACK = "'Source Sans Pro', 'Source Sans 3', system-ui, sans-serif"
_WEIGHTS = {REGULAR: "400", SEMIBOLD: "600"}
_COLOURS = {
    "ink": palette.INK,
    "soft-ink": palette.SOFT_INK,
    "rule": palette.RULE,
    "tint": palette.TINT,
    "tolerance": palette.TOLERANCE,
    "within": palette.BLUE,
    "outside": palette.DARK_VERMILLION,
    "ground": palette.WHITE,
}
_NAMES = {"rgb({:.0f}%,{:.0f}%,{:.0f}%)".format(*(int(100 * part) for part in c.rgb())): n for n, c in _COLOURS.items()}


def to_svg(drawing: Drawing, *, title: str, description: str, id_prefix: str) -> str:
    """The drawing as an `<svg>` element to stand in a page; ids begin with `id_prefix`, so that several may.

    Style attributes become presentation attributes, which a content security policy does not touch. Colours of the
    palette are named by classes as well (`fill-ink`, `stroke-within`), so that a page's theme may change them.
    """
    root = ElementTree.fromstring(renderSVG.drawToString(drawing))  # noqa: S314 - our own drawing
    for element in root.iter():
        _style_to_attributes(element)
        _open_line(element)
    _tidy_root(root, drawing, id_prefix)
    _remove_unused(root)
    _prefix_ids(root, id_prefix)
    for position, (tag, text) in enumerate((("title", title), ("desc", description))):
        root.insert(position, _labelled(tag, text, id_prefix))
    ElementTree.register_namespace("", _SVG)
    return ElementTree.tostring(root, encoding="unicode")


def _open_line(element: ElementTree.Element) -> None:
    """The renderer closes single lines: drawn there and back, their dashes would fill their gaps."""
    path = element.attrib.get("d", "").strip()
    if path.count("L") == 1 and path.endswith("Z"):
        element.set("d", path.removesuffix("Z").strip())


def _style_to_attributes(element: ElementTree.Element) -> None:
    for declaration in element.attrib.pop("style", "").split(";"):
        name, colon, value = declaration.partition(":")
        if colon:
            element.set(name.strip(), value.strip().replace("None", "none"))  # as the renderer writes it at times
    if "font-family" in element.attrib:
        _set_font(element)
    painted = (f"{part}-{_NAMES[element.attrib[part]]}" for part in ("fill", "stroke") if _is_named(element, part))
    if classes := " ".join(painted):
        element.set("class", classes)


def _is_named(element: ElementTree.Element, part: str) -> bool:
    return element.attrib.get(part) in _NAMES


def _set_font(element: ElementTree.Element) -> None:
    """Whatever font the reader has is fitted into the width that the drawing was laid out for."""
    font = element.attrib["font-family"].strip("'\" ")
    size = float(element.attrib["font-size"].removesuffix("px"))
    width = stringWidth(element.text or "", font, size)
    element.attrib.update({"font-family": _FONT_STACK, "font-weight": _WEIGHTS[font]})
    element.attrib.update({"font-size": f"{size:g}", "textLength": f"{width:.2f}", "lengthAdjust": "spacingAndGlyphs"})


def _tidy_root(root: ElementTree.Element, drawing: Drawing, id_prefix: str) -> None:
    """Size by view box; the page's style sheet decides the rest."""
    root.attrib.clear()
    root.set("viewBox", f"0 0 {drawing.width:g} {drawing.height:g}")
    root.set("role", "img")
    root.set("aria-labelledby", f"{id_prefix}-title {id_prefix}-desc")


def _remove_unused(root: ElementTree.Element) -> None:
    """The renderer's own title, description and clip path say nothing here."""
    for tag in ("title", "desc", "clipPath"):
        for element in root.findall(f"{{{_SVG}}}{tag}"):
            root.remove(element)
    for element in root.iter():
        element.attrib.pop("clip-path", None)


def _prefix_ids(root: ElementTree.Element, id_prefix: str) -> None:
    for element in root.iter():
        if "id" in element.attrib:
            element.set("id", f"{id_prefix}-{element.attrib['id']}")


def _labelled(tag: str, text: str, id_prefix: str) -> ElementTree.Element:
    element = ElementTree.Element(f"{{{_SVG}}}{tag}", {"id": f"{id_prefix}-{tag}"})
    element.text = text
    return element

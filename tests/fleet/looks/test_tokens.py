"""Colours can be read in both themes, carry the certificate's meaning, and are chosen in one place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product

import pytest
from reportlab.lib.colors import Color

from fleet.looks.tokens import STYLE_SHEET, Token, tokens
from reports.drawing import palette

from .wcag import contrast

THEMES = {"light": 0, "dark": 1}
TEXT, GRAPHICS = 4.5, 3.0
"""WCAG 2.2, success criteria 1.4.3 and 1.4.11."""
Need = tuple[Token, Token, float]


def group(name: str, among: tuple[Token, ...]) -> list[Token]:
    return [token for token in among if token.group == name and token.colours]


def needs(among: tuple[Token, ...]) -> Iterator[Need]:
    """Which two tokens must differ by how much, as their names say."""
    grounds, named = group("ground", among), {token.name: token for token in among}
    for ink, ground in product(group("ink", among), grounds):
        yield ink, ground, TEXT
    for line, ground in product([*group("line", among), *group("mark", among)], grounds):
        yield line, ground, GRAPHICS
    for mark in group("mark", among):
        yield mark, named["fill-tolerance"], GRAPHICS
    for fill in group("fill", among):
        if fill.name != "fill-tolerance":  # its edges are the marks `mark-limit`
            yield named[fill.name.replace("fill-", "on-")], fill, TEXT
            for ground in grounds:
                yield fill, ground, GRAPHICS


def too_faint(among: tuple[Token, ...], theme: str) -> list[str]:
    place = THEMES[theme]
    return [
        f"{one.name} on {other.name}: {found:.2f} < {least}"
        for one, other, least in needs(among)
        if one.colours and other.colours
        if (found := contrast(one.colours[place], other.colours[place])) < least
    ]


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        ("#000000", "#ffffff", 21.0),
        ("#777777", "#ffffff", 4.48),
        ("#767676", "#ffffff", 4.54),
        ("#ff0000", "#ffffff", 4.00),
        ("#123456", "#123456", 1.0),
    ],
)
def test_the_formula_gives_known_ratios(one: str, other: str, expected: float) -> None:
    """The two greys are the widely known pair on either side of 4.5 (from memory)."""
    assert contrast(one, other) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
def test_every_pair_of_tokens_stands_out(theme: str) -> None:
    assert len(list(needs(tokens()))) > 100
    assert too_faint(tokens(), theme) == []


def test_a_faint_ink_line_or_word_on_a_fill_would_be_found() -> None:
    for name in ("ink-soft", "line-field", "on-main", "mark-within"):
        seeded = tuple(Token(t.name, "light-dark(#9aa5ad, #56626b)") if t.name == name else t for t in tokens())
        for theme in THEMES:
            assert any(text.startswith(name) for text in too_faint(seeded, theme))


def test_marks_have_the_colours_of_the_certificate() -> None:
    expected = {
        "mark-within": palette.BLUE,
        "mark-outside": palette.DARK_VERMILLION,
        "mark-undecided": palette.INK,
        "mark-unjudged": palette.SOFT_INK,
        "mark-limit": palette.SOFT_INK,
        "fill-tolerance": palette.TOLERANCE,
        "ink-plain": palette.INK,
        "ink-soft": palette.SOFT_INK,
    }
    found = {token.name: token.colours[0] for token in tokens() if token.colours and token.name in expected}
    assert found == {name: _hex(colour) for name, colour in expected.items()}


def _hex(colour: Color) -> str:
    return "#" + colour.hexval().removeprefix("0x")


STYLE_SHEETS = {path.name: path.read_text() for path in STYLE_SHEET.parent.glob("*.css")}
COLOUR = re.compile(r"#[0-9a-f]{3,8}\b|\b(?:rgba?|hsla?|oklch|color-mix)\(", re.IGNORECASE)
USED = re.compile(r"var\(--([a-z0-9-]+)")
DEFINED = re.compile(r"--([a-z0-9-]+):")


def test_colours_are_named_in_the_tokens_and_nowhere_else() -> None:
    """Paper is white: the one value that the print style sets, for grounds only."""
    assert COLOUR.search(STYLE_SHEETS["tokens.css"])
    for name, text in STYLE_SHEETS.items():
        if name not in {"tokens.css", "print.css"}:
            assert COLOUR.findall(text) == [], name
    on_paper = [line.strip() for line in STYLE_SHEETS["print.css"].splitlines() if COLOUR.search(line)]
    assert on_paper
    assert all(re.fullmatch(r"--ground-[a-z]+: #ffffff;", line) for line in on_paper)


def test_every_token_that_is_used_is_defined_and_the_other_way_round() -> None:
    text = "\n".join(STYLE_SHEETS.values())
    assert set(USED.findall(text)) <= set(DEFINED.findall(text))
    assert {token.name for token in tokens()} <= set(USED.findall(text))


def test_every_rule_stands_in_a_layer() -> None:
    for name, text in STYLE_SHEETS.items():
        outside = re.sub(r"^@layer [a-z]+ \{.*?^\}", "", text, flags=re.DOTALL | re.MULTILINE)
        outside = re.sub(r"/\*.*?\*/|^@layer [a-z, ]+;", "", outside, flags=re.DOTALL | re.MULTILINE)
        assert outside.strip() == "", name

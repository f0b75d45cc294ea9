"""The tokens of the looks, read from the style sheet that defines them: nothing names their values twice."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

STYLE_SHEET: Final = Path(__file__).resolve().parents[1] / "static/looks/tokens.css"
_ROOT: Final = re.compile(r"^  :root \{(.*?)\n  \}", re.DOTALL | re.MULTILINE)
_TOKEN: Final = re.compile(r"^ +--([a-z0-9-]+): (.+?);$", re.MULTILINE)
_COLOUR: Final = re.compile(r"light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\)")


@dataclass(frozen=True, slots=True)
class Token:
    name: str
    value: str

    @property
    def group(self) -> str:
        return self.name.partition("-")[0]

    @property
    def colours(self) -> tuple[str, str] | None:
        """In the light and in the dark theme; None for what is no colour."""
        found = _COLOUR.fullmatch(self.value)
        return (found[1], found[2]) if found else None


@cache
def tokens() -> tuple[Token, ...]:
    """In the order of the style sheet."""
    (root,) = _ROOT.findall(STYLE_SHEET.read_text())
    return tuple(Token(name, value) for name, value in _TOKEN.findall(root))

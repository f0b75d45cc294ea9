"""A text inside the braces of an f-string is not found by xgettext, so that no catalogue would ever have it."""

from __future__ import annotations

import ast
from collections.abc import Iterator

from deploy.embedded.folder import CHECKOUT

APPS = ("fleet", "calibration", "reports", "deploy")
MARKS = {"_", "gettext", "gettext_lazy", "pgettext", "pgettext_lazy", "ngettext"}


def hidden_texts(source: str) -> Iterator[str]:
    for string in ast.walk(ast.parse(source)):
        if not isinstance(string, ast.JoinedStr):
            continue
        for call in ast.walk(string):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in MARKS:
                yield ast.unparse(call)


def test_no_text_hides_in_an_f_string() -> None:
    sources = [path for app in APPS for path in sorted((CHECKOUT / app).rglob("*.py"))]
    assert len(sources) > 300
    assert {path.name: found for path in sources if (found := list(hidden_texts(path.read_text())))} == {}


def test_one_that_does_would_be_found() -> None:
    assert list(hidden_texts("f\"{x}: {_('Why')}\"")) == ["_('Why')"]
    assert list(hidden_texts('_("Why") + f"{x}"')) == []

"""The table of formulas in DEVELOPERS.md is complete and names tests that exist."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
METROLOGY = ROOT / "calibration" / "metrology"
TESTS = ROOT / "tests" / "metrology"
ROW = re.compile(r"^\| `(?P<function>[a-z_]+\.[a-z_]+)` \| (?P<test>[^|]+) \| (?P<source>[^|]+) \|$")


def rows() -> dict[str, tuple[str, str]]:
    lines = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    found = [match for line in lines if (match := ROW.match(line))]
    return {match["function"]: (match["test"].strip(), match["source"].strip()) for match in found}


def public_functions() -> set[str]:
    return {
        f"{path.stem}.{node.name}"
        for path in METROLOGY.glob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
    }


def names_in(path: Path) -> set[str]:
    return {
        node.name
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
    }


def missing_tests(table: dict[str, tuple[str, str]]) -> list[str]:
    missing = []
    for function, (test, _source) in table.items():
        if test == "its doctest":
            continue
        file, _, name = test.strip("`").partition("::")
        path = TESTS / file
        if not path.is_file() or (name and name not in names_in(path)):
            missing.append(f"{function}: {test}")
    return missing


def test_every_public_function_of_metrology_has_a_row_and_no_row_is_left_over() -> None:
    assert set(rows()) == public_functions()


def test_every_row_names_a_test_that_exists_and_a_source() -> None:
    assert missing_tests(rows()) == []
    assert all(source for _test, source in rows().values())


def test_a_row_whose_test_is_gone_would_be_noticed() -> None:
    assert missing_tests({"x.y": ("`test_readings.py::TestThatNobodyWrote`", "nowhere")})
    assert missing_tests({"x.y": ("`test_of_nothing.py`", "nowhere")})

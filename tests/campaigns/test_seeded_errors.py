"""The campaign of seeded errors: its list fits the calculations, and its runner tells what is caught from what is not.

All errors: `python -m tests.campaigns.seeded_errors`.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace

import pytest

from tests.campaigns import seeded_errors
from tests.campaigns.seeded.errors import ERRORS
from tests.campaigns.seeded.trial import METROLOGY, ROOT, TESTS, SeededError, TestRunner, failing_unchanged, tried

CALCULATES_NOTHING = {
    "__init__.py",
    "assessment_document.py",
    "corners.py",
    "errors.py",
    "findings.py",
    "height_check_document.py",
    "leak_document.py",
    "planning_case.py",
    "provenance.py",
    "specification.py",
}
"""Modules that hold, check, round or pass on what others calculate."""
CAUGHT = SeededError(
    "example",
    "tyre.py",
    "R39_CONSTANT_KM_H = 4.0",
    "R39_CONSTANT_KM_H = 6.0",
    "an example",
    "test_tyre.py::TestSpeedReading::test_may_show_the_published_highest",
    "UN R39, 5.3",
)


@pytest.fixture(scope="module")
def runner() -> Iterator[TestRunner]:
    with TestRunner() as running:
        yield running


def exists(test: str) -> bool:
    """Whether a node is in its file: a class may stand between them."""
    file, *names = test.split("::")
    path = ROOT / TESTS / file
    body: list[ast.stmt] = ast.parse(path.read_text(encoding="utf-8")).body if path.is_file() else []
    for name in names:
        found = [node for node in body if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name == name]
        if not found:
            return False
        body = found[0].body
    return bool(names)


def times_in_its_module(error: SeededError) -> int:
    return (ROOT / METROLOGY / error.module).read_text(encoding="utf-8").count(error.right)


def test_every_error_still_fits_its_source_exactly_once() -> None:
    assert [error.name for error in ERRORS if times_in_its_module(error) != 1 or error.right == error.wrong] == []
    assert len({error.name for error in ERRORS}) == len(ERRORS)


def test_every_error_names_a_test_that_exists() -> None:
    assert [error.name for error in ERRORS if not exists(error.test)] == []
    assert not exists("test_tyre.py::TestSpeedReading::test_that_nobody_wrote")
    assert not exists("test_of_nothing.py::test_that_nobody_wrote")


def test_no_module_that_calculates_is_left_out() -> None:
    modules = {path.name for path in (ROOT / METROLOGY).glob("*.py")}
    assert {error.module for error in ERRORS} == modules - CALCULATES_NOTHING


@pytest.mark.parametrize(
    ("change", "result"),
    [
        ({}, "caught"),
        ({"wrong": "R39_CONSTANT_KM_H = 8.0 / 2.0"}, "not caught"),
        ({"wrong": 'R39_CONSTANT_KM_H = "4.0"'}, "crashed"),
        ({"wrong": "R39_CONSTANT_KM_H = 4.0)"}, "not run"),
        ({"right": "R39_CONSTANT_KM_H = 5.0"}, "not applied"),
        ({"right": "R39_CONSTANT_KM_H"}, "not applied"),
    ],
)
def test_only_an_assertion_that_fails_catches_an_error(change: dict[str, str], result: str, runner: TestRunner) -> None:
    assert tried(replace(CAUGHT, **change), runner) == result


def test_a_test_that_fails_without_any_error_is_named(runner: TestRunner) -> None:
    gone = "test_tyre.py::TestSpeedReading::test_that_nobody_wrote"
    assert failing_unchanged([CAUGHT.test, gone], runner) == [gone]


@pytest.mark.parametrize(
    ("results", "failing", "code"),
    [
        (["caught", "caught"], [], 0),
        (["caught", "not caught"], [], 1),
        (["crashed", "caught"], [], 1),
        (["caught", "caught"], [CAUGHT.test], 1),
    ],
)
def test_the_campaign_fails_where_anything_is_not_caught(
    results: list[str],
    failing: list[str],
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    given = iter(results)
    monkeypatch.setattr(seeded_errors, "ERRORS", (CAUGHT, replace(CAUGHT, name="other")))
    monkeypatch.setattr(seeded_errors, "failing_unchanged", lambda *_: failing)
    monkeypatch.setattr(seeded_errors, "tried", lambda *_: next(given))
    assert seeded_errors.main([]) == code
    shown = capsys.readouterr().out
    assert all(result in shown for result in results)
    assert f"{results.count('caught')} of 2 errors caught" in shown

"""A seeded error put into a copy of the calculations, and the one test that is claimed to catch it run there."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).parents[3]
METROLOGY = Path("calibration") / "metrology"
TESTS = Path("tests") / "metrology"
COPIED = (
    Path("pyproject.toml"),
    Path("calibration") / "__init__.py",
    METROLOGY,
    Path("tests") / "__init__.py",
    TESTS,
    Path("tests") / "reference",
    Path("tests") / "simulator",
)
"""What the tests of the calculations need: no Django, no database."""
PYTEST = ("-x", "-q", "-p", "no:django", "-p", "no:cacheprovider", "-p", "no:xdist")
REPORT = "report.xml"
ASSERTIONS = ("assert ", "AssertionError", "Failed: DID NOT RAISE")
"""How pytest's report begins where an assertion failed; of a calculation that broke down it says something else."""

Ending = Literal["passed", "failed", "crashed", "not run"]
Result = Literal["caught", "not caught", "crashed", "not run", "not applied"]


@dataclass(frozen=True, slots=True)
class SeededError:
    """A wrong formula or constant: in `module` of the calculations `wrong` takes the place of `right`.

    `test` is the node, below `tests/metrology`, that is claimed to catch it; `against` what that test compares with.
    """

    name: str
    module: str
    right: str
    wrong: str
    meaning: str
    test: str
    against: str


class TestRunner:
    """Runs tests below a folder, each time in a process of its own; a context manager."""

    __test__ = False

    def __init__(self) -> None:
        environment = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONDONTWRITEBYTECODE": "1"}
        environment.pop("PYTHONPATH", None)
        command = [sys.executable, "-P", str(Path(__file__).with_name("forked_tests.py"))]
        self._server = subprocess.Popen(
            command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._server.communicate()

    def run(self, tests: Sequence[str], folder: Path) -> Ending:
        """How the tests below a folder end."""
        arguments = [*PYTEST, f"--junitxml={REPORT}", *((TESTS / test).as_posix() for test in tests)]
        assert self._server.stdin is not None  # both are pipes
        assert self._server.stdout is not None
        self._server.stdin.write(json.dumps([str(folder), arguments]) + "\n")
        self._server.stdin.flush()
        match int(self._server.stdout.readline()):
            case pytest.ExitCode.OK:
                return "passed"
            case pytest.ExitCode.TESTS_FAILED:
                return _how_it_failed(folder / REPORT)
        return "not run"


def tried(error: SeededError, runner: TestRunner) -> Result:
    """What the claimed test makes of the error. Only an assertion that fails has caught it."""
    with tempfile.TemporaryDirectory() as folder:
        copy_into(Path(folder))
        if not seeded(error, Path(folder)):
            return "not applied"
        ending = runner.run([error.test], Path(folder))
    match ending:
        case "failed":
            return "caught"
        case "passed":
            return "not caught"
        case other:
            return other


def failing_unchanged(tests: Sequence[str], runner: TestRunner) -> list[str]:
    """The control: which of the tests do not pass on the calculations as they are."""
    with tempfile.TemporaryDirectory() as folder:
        copy_into(Path(folder))
        if runner.run(tests, Path(folder)) == "passed":
            return []
        return [test for test in tests if runner.run([test], Path(folder)) != "passed"]


def copy_into(folder: Path) -> None:
    """Copy what is tested. A copy serves once, so that no bytecode of other text is ever taken for it."""
    for part in COPIED:
        (folder / part).parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / part).is_dir():
            shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copyfile(ROOT / part, folder / part)


def seeded(error: SeededError, folder: Path) -> bool:
    """Put the error into the calculations below a folder; False where its text is not there exactly once."""
    path = folder / METROLOGY / error.module
    text = path.read_text(encoding="utf-8")
    if text.count(error.right) != 1:
        return False
    path.write_text(text.replace(error.right, error.wrong), encoding="utf-8")
    return True


def _how_it_failed(report: Path) -> Ending:
    failures = ElementTree.parse(report).iter("failure")  # noqa: S314 pytest has just written it
    said = [failure.get("message", "") for failure in failures]
    return "failed" if said and all(each.startswith(ASSERTIONS) for each in said) else "crashed"

"""A seeded error put into a copy of the calculations, and the one test that is claimed to catch it run there."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree

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
PYTEST = ("-m", "pytest", "-x", "-q", "-p", "no:django", "-p", "no:cacheprovider", "-p", "no:xdist")
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


def tried(error: SeededError) -> Result:
    """What the claimed test makes of the error. Only an assertion that fails has caught it."""
    with tempfile.TemporaryDirectory() as folder:
        copy_into(Path(folder))
        if not seeded(error, Path(folder)):
            return "not applied"
        ending = run([error.test], Path(folder))
    match ending:
        case "failed":
            return "caught"
        case "passed":
            return "not caught"
        case other:
            return other


def failing_unchanged(tests: Sequence[str]) -> list[str]:
    """The control: which of the tests do not pass on the calculations as they are."""
    with tempfile.TemporaryDirectory() as folder:
        copy_into(Path(folder))
        if run(tests, Path(folder)) == "passed":
            return []
        return [test for test in tests if run([test], Path(folder)) != "passed"]


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


def run(tests: Sequence[str], folder: Path) -> Ending:
    """Run tests below a folder in a process of its own."""
    command = [sys.executable, *PYTEST, f"--junitxml={REPORT}", *((TESTS / test).as_posix() for test in tests)]
    environment = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    environment.pop("PYTHONPATH", None)
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    if done.returncode == 0:
        return "passed"
    if done.returncode != 1:
        return "not run"
    return _how_it_failed(folder / REPORT)


def _how_it_failed(report: Path) -> Ending:
    failures = ElementTree.parse(report).iter("failure")  # noqa: S314 pytest has just written it
    said = [failure.get("message", "") for failure in failures]
    return "failed" if said and all(each.startswith(ASSERTIONS) for each in said) else "crashed"

"""Seeded errors in formulas and constants of the calculations, each with the test that is claimed to catch it.

    python -m tests.campaigns.seeded_errors [--only NAME]

Each claimed test first runs on an unchanged copy of the calculations, where it must pass; then once for each of its
errors on a copy that has it, where an assertion must fail. One process at a time. Prints a line for each error; 1 where
one is not caught or a test fails without any.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence

from tests.campaigns.seeded.errors import ERRORS
from tests.campaigns.seeded.trial import SeededError, TestRunner, failing_unchanged, tried


def chosen_errors(name: str | None) -> list[SeededError]:
    return [error for error in ERRORS if name in {None, error.name}]


def main(arguments: Sequence[str] | None = None) -> int:
    """Try the errors; 1 where one is not caught."""
    parser = argparse.ArgumentParser(description="Seeded errors in the calculations, and the tests that catch them.")
    parser.add_argument("--only", metavar="NAME", choices=[error.name for error in ERRORS], help="one of the errors")
    errors, began = chosen_errors(parser.parse_args(arguments).only), time.monotonic()
    tests = list(dict.fromkeys(error.test for error in errors))
    with TestRunner() as runner:
        failing = failing_unchanged(tests, runner)
        for test in failing:
            _say(f"fails without any error: {test}")
        caught = [_is_caught(error, runner) for error in errors]
    _say(f"{sum(caught)} of {len(errors)} errors caught; {len(failing)} of {len(tests)} tests fail without any error")
    _say(f"{time.monotonic() - began:.0f} s")
    return 0 if all(caught) and not failing else 1


def _is_caught(error: SeededError, runner: TestRunner) -> bool:
    result = tried(error, runner)
    _say(" | ".join((f"{result:11}", f"{error.name:46}", error.meaning, error.test, error.against)))
    return result == "caught"


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())

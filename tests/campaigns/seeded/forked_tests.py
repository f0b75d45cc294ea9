"""Runs tests in forks of a process that has loaded the large libraries: what is tested is loaded anew each time.

Executed as a file, not imported, so that nothing of this checkout is loaded. Each line of standard input is a JSON
list, a folder and pytest's arguments there; each is answered with pytest's exit code.
"""

from __future__ import annotations

import importlib
import json
import os
import sys
from typing import NoReturn

import pytest

LIBRARIES = (
    "GTC",
    "hypothesis",
    "pandas",
    "scipy.optimize",
    "scipy.stats",
    "statsmodels.api",
    "statsmodels.formula.api",
)


def main() -> None:
    for name in LIBRARIES:
        importlib.import_module(name)
    for line in sys.stdin:
        folder, arguments = json.loads(line)
        if (child := os.fork()) == 0:
            _run(folder, arguments)
        _, status = os.waitpid(child, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")
        sys.stdout.flush()


def _run(folder: str, arguments: list[str]) -> NoReturn:
    """Run pytest in this fork, silently, and end it."""
    code = int(pytest.ExitCode.INTERNAL_ERROR)
    try:
        os.chdir(folder)
        sys.path.insert(0, folder)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(nowhere, stream)
        code = int(pytest.main(arguments))
    finally:
        os._exit(code)


if __name__ == "__main__":
    main()

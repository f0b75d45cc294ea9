"""The machine's Node.js, which runs the tests of the tablet's modules."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

HERE: Final = Path(__file__).parent
TIMEOUT_S: Final = 300


@dataclass(frozen=True)
class Node:
    path: str

    @classmethod
    def of_this_machine(cls) -> Self:
        path = shutil.which("node")
        assert path, (
            "Node.js 18.18 or later is missing: the tablet's modules are tested with it. "
            "Install it (Debian: apt-get install nodejs), or leave these tests out with --no-browser."
        )
        return cls(path)

    def command(self, *arguments: str) -> list[str]:
        """The command that runs it beside these tests."""
        return [self.path, "--import", "./setup.mjs", *arguments]

    def run(self, *arguments: str) -> str:
        """Gives what it printed, and fails with that when it did not end well."""
        ran = subprocess.run(
            self.command(*arguments), cwd=HERE, capture_output=True, text=True, timeout=TIMEOUT_S, check=False
        )
        assert ran.returncode == 0, f"node {' '.join(arguments)}\n{ran.stdout}\n{ran.stderr}"
        return ran.stdout

"""The machine's Node.js, which runs the tests of the tablet's modules."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
TIMEOUT_S: Final = 300


def node_command(*arguments: str) -> list[str]:
    """The command that runs Node.js beside these tests."""
    node = shutil.which("node")
    assert node, "Node.js 18.18 or later is missing: the tablet's modules are tested with it. Install it (apt: nodejs)."
    return [node, "--import", "./setup.mjs", *arguments]


def run_node(*arguments: str) -> str:
    """Run it; gives what it printed, and fails with that when it did not end well."""
    command = node_command(*arguments)
    ran = subprocess.run(command, cwd=HERE, capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
    assert ran.returncode == 0, f"node {' '.join(arguments)}\n{ran.stdout}\n{ran.stderr}"
    return ran.stdout

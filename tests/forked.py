"""A process forked off the test's own, which has loaded the service already: starting one anew takes seconds."""

from __future__ import annotations

import os
import signal
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TextIO

from django.db import connections


@dataclass
class Forked:
    """What it prints can be read, and it can be told to go on, or be killed."""

    pid: int
    output: TextIO
    gate: TextIO
    is_over: bool = False

    def says(self) -> str:
        """The next line; empty once it has ended."""
        return self.output.readline().strip()

    def go_on(self) -> str:
        """Let it finish where it waits for a line; the last thing it says."""
        with suppress(BrokenPipeError):
            self.gate.write("\n")
            self.gate.close()
        said = self.output.read()
        self._wait()
        return said.splitlines()[-1] if said else ""

    def kill(self) -> None:
        if not self.is_over:
            os.kill(self.pid, signal.SIGKILL)
            self._wait()

    def _wait(self) -> None:
        os.waitpid(self.pid, 0)
        self.is_over = True


@contextmanager
def forked(main: Callable[[], None]) -> Iterator[Forked]:
    """Run `main` in a process with connections of its own, its standard input and output at the test's hands."""
    connections.close_all()
    heard, said = os.pipe()
    asked, gate = os.pipe()
    pid = os.fork()
    if pid == 0:
        _run(main, asked, said)
    os.close(said)
    os.close(asked)
    process = Forked(pid, os.fdopen(heard), os.fdopen(gate, "w"))
    try:
        yield process
    finally:
        process.kill()
        process.output.close()
        with suppress(BrokenPipeError):
            process.gate.close()


def _run(main: Callable[[], None], asked: int, said: int) -> None:
    status = 1
    try:
        sys.stdin, sys.stdout = os.fdopen(asked), os.fdopen(said, "w")
        main()
        sys.stdout.flush()
        status = 0
    except BaseException:  # noqa: BLE001  (nothing of the test may go on here)
        traceback.print_exc()
    finally:
        os._exit(status)

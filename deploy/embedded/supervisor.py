"""Runs all services in one foreground process tree: start in order, watch, stop in reverse order."""

import signal
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack
from types import FrameType

from deploy.embedded.service import Service

POLL_SECONDS = 0.2
STOPPING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class StopRequestedError(Exception):
    """Someone asked the supervisor to end."""


class Supervisor:
    """Starts services one after the other and keeps them running until asked to stop."""

    def __init__(self) -> None:
        self._services: list[Service] = []
        self._held = ExitStack()

    def hold(self, claim: AbstractContextManager[None]) -> None:
        """Enter a context that is left after all services have stopped."""
        self._held.enter_context(claim)

    def start(self, services: Sequence[Service]) -> None:
        """Start services in this order, each when the one before is ready."""
        for service in services:
            self._services.append(service)
            service.start()
            service.wait_until_ready()
            say(f"{service.name} is ready")

    def watch(self) -> None:
        """Restart what ends, for ever."""
        while True:
            time.sleep(POLL_SECONDS)
            for service in self._services:
                if happened := service.keep_running():
                    say(happened)

    def stop(self) -> None:
        """Stop everything, last started first."""
        while self._services:
            service = self._services.pop()
            service.stop()
            say(f"{service.name} stopped")
        self._held.close()


def run(start: Callable[[Supervisor], None]) -> None:
    """Run `start`, then watch, until a stopping signal; always stop what was started."""
    supervisor = Supervisor()
    for number in STOPPING_SIGNALS:
        signal.signal(number, _request_stop)
    try:
        start(supervisor)
        supervisor.watch()
    except StopRequestedError:
        say("stopping")
    finally:
        # A second Ctrl-C must not leave services behind.
        for number in STOPPING_SIGNALS:
            signal.signal(number, signal.SIG_IGN)
        supervisor.stop()


def say(message: str) -> None:
    """Tell the person at the terminal."""
    sys.stdout.write(f"levelbook: {message}\n")
    sys.stdout.flush()


def _request_stop(number: int, frame: FrameType | None) -> None:
    raise StopRequestedError

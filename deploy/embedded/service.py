"""One supervised process: started, found ready, restarted with back-off when it ends, stopped."""

import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from deploy.embedded.folder import EmbeddedServiceError
from deploy.embedded.process import kill_group, stop, wait_until

FIRST_PAUSE, LONGEST_PAUSE = 0.2, 30.0
# A child that ran this long had started well: its end is no crash loop, and waiting would only prolong the outage.
STEADY_SECONDS = 15.0
START_PATIENCE = 60.0


@dataclass
class Service:
    """What the supervisor knows about one child."""

    name: str
    spawn: Callable[[], subprocess.Popen[bytes]]
    is_ready: Callable[[], bool]
    stop_signal: signal.Signals = signal.SIGTERM
    stop_patience: float = 15.0
    process: subprocess.Popen[bytes] | None = None
    pause: float = FIRST_PAUSE
    started_at: float = field(default=0.0)
    restart_at: float | None = None

    def start(self) -> None:
        self.process = self.spawn()
        self.started_at = time.monotonic()
        self.restart_at = None

    def wait_until_ready(self) -> None:
        """Wait for the first start; a child that cannot start at all stops the supervisor."""
        wait_until(lambda: self.has_ended() or self.is_ready(), START_PATIENCE)
        if self.has_ended() or not self.is_ready():
            raise EmbeddedServiceError(f"{self.name} did not start: see its messages or the folder logs.")

    def has_ended(self) -> bool:
        return self.process is None or self.process.poll() is not None

    def keep_running(self) -> str | None:
        """Restart the child when it has ended and its pause is over; return what happened."""
        if self.process is None or self.process.poll() is None:
            return None
        if self.restart_at is None:
            return self._plan_restart(self.process)
        if time.monotonic() < self.restart_at:
            return None
        self.start()
        return f"{self.name} restarted"

    def stop(self) -> None:
        if self.process is not None:
            stop(self.process, self.stop_signal, self.stop_patience)

    def _plan_restart(self, ended: subprocess.Popen[bytes]) -> str:
        # Children of a killed parent go with it; they would keep its port or its tasks.
        kill_group(ended)
        now = time.monotonic()
        steady = now - self.started_at > STEADY_SECONDS
        self.pause = FIRST_PAUSE if steady else min(2 * self.pause, LONGEST_PAUSE)
        self.restart_at = now + self.pause
        return f"{self.name} ended ({_ending(ended.returncode)}), starts again in {self.pause:.1f} s"


def _ending(code: int) -> str:
    return f"signal {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"

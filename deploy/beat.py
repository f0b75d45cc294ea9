"""Runs the beat schedule. It only names tasks, so it loads none of the applications and half the memory."""

import signal
from types import FrameType

from celery.beat import Service

from deploy.celery import app


def main() -> None:
    """Send what is due until asked to stop."""
    # A request to stop is noticed between two sleeps of at most this many seconds.
    service = Service(app, max_interval=1)

    def stop(number: int, frame: FrameType | None) -> None:
        service.stop()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    service.start()


if __name__ == "__main__":
    main()

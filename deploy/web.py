"""Runs the web server. All views are loaded before its processes are forked: these start at once and share memory."""

import gc
import os

import django
from granian.cli import entrypoint

from deploy.loading import load_views


def main() -> None:
    """Serve by the command line's options, which are the web server's own, until asked to stop."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    # As in `deploy.wsgi`, which each process loads: here nothing may connect or start a thread, which no fork survives.
    os.environ.setdefault("LEVELBOOK_DATABASE_POOL", "1")
    django.setup()
    load_views()
    # What is loaded stays: a collection that touched it would copy it into every process.
    gc.collect()
    gc.freeze()
    entrypoint()  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    main()

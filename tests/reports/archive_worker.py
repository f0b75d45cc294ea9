"""A worker that performs one item of the outbox and stops where it is told to: killed there, it has done half.

    python -m tests.reports.archive_worker WORKSHOP ITEM MODULE:NAME

It writes `held` before it enters the function, and waits to be killed.
"""

from __future__ import annotations

import sys
import time
import uuid
from importlib import import_module
from typing import Any

import django


def main(workshop: str, item: str, place: str) -> None:
    django.setup()
    from fleet import outbox

    import_module("reports.tasks")
    module_name, _separator, name = place.partition(":")
    owner: Any = import_module(module_name)
    *within, last = name.split(".")
    for part in within:
        owner = getattr(owner, part)
    setattr(owner, last, _held)
    outbox.perform(uuid.UUID(workshop), uuid.UUID(item))


def _held(*_args: Any, **_kwargs: Any) -> None:
    sys.stdout.write("held\n")
    sys.stdout.flush()
    time.sleep(600)


if __name__ == "__main__":
    main(*sys.argv[1:])

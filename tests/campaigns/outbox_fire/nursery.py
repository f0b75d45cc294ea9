"""Workers by the hundred: a process that has loaded the service and forks one worker for each order.

An order is a line of JSON with `workshop`, `item`, `stage` (where the worker is killed; none: nowhere), `held` (whether
it stops at its effect until it is released), `fault` and `journal`. The answer is `done`, `not done`, `killed` or
`held`. A worker notes in the journal what it is about to hand over, by item and id.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import django

DONE, NOT_DONE = 0, 3


def main() -> None:
    answers = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(2, 1)  # what is logged is no answer
    django.setup()
    _load_everything()
    held: list[tuple[int, int]] = []
    for line in sys.stdin:
        order = json.loads(line)
        if order == "release":
            pid, gate = held.pop()
            os.write(gate, b"\n")
            os.close(gate)
            answers.write(f"{_ended(pid)}\n")
            continue
        pid, at_stage, gate = _fork(order)
        if order["held"] and os.read(at_stage, 1):
            held.append((pid, gate))
            answers.write("held\n")
        else:
            answers.write(f"{_ended(pid)}\n")
            os.close(gate)
        os.close(at_stage)


def _load_everything() -> None:
    """Each worker would otherwise load for itself who performs what."""
    from fleet import outbox

    outbox.handlers()


def _fork(order: dict[str, Any]) -> tuple[int, int, int]:
    heard, say = os.pipe()
    wait, gate = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os._exit(DONE if _perform(order, say, wait) else NOT_DONE)
        finally:
            os._exit(1)
    os.close(say)
    os.close(wait)
    return pid, heard, gate


def _ended(pid: int) -> str:
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    return {DONE: "done", NOT_DONE: "not done", -signal.SIGKILL: "killed"}.get(status, f"ended with {status}")


def _perform(order: dict[str, Any], say: int, wait: int) -> bool:
    from fleet import outbox
    from tests.campaigns.outbox_fire import seeded, stages

    setattr(outbox, "hint", lambda *_ids: None)  # noqa: B010  (every hint is lost, as by a broker that was flushed)
    if order["fault"]:
        seeded.FAULTS[order["fault"]]()
    _keep_journal(order["journal"], order["item"])
    stages.plant(_held(say, wait) if order["held"] else stages.killed_at(order["stage"]))
    return outbox.perform(uuid.UUID(order["workshop"]), uuid.UUID(order["item"]))


def _held(say: int, wait: int) -> Callable[[str], None]:
    def reached(stage: str) -> None:
        if stage == "effect":
            os.write(say, b"\n")
            os.read(wait, 1)

    return reached


def _keep_journal(path: str, item: str) -> None:
    from django.core.mail import EmailMessage

    from reports.services import webhook_deliveries

    def note(identity: str) -> None:
        with Path(path).open("a", encoding="utf-8") as journal:
            journal.write(f"{item}\t{identity}\n")

    hand_over, post = EmailMessage.send, getattr(webhook_deliveries, "send")  # noqa: B009

    def sent(message: EmailMessage, *args: Any, **options: Any) -> Any:
        note(message.extra_headers["Message-ID"])
        return hand_over(message, *args, **options)

    def posted(url: str, body: bytes, headers: dict[str, str], **options: Any) -> Any:
        note(headers["webhook-id"])
        return post(url, body, headers, **options)

    setattr(EmailMessage, "send", sent)  # noqa: B010
    setattr(webhook_deliveries, "send", posted)  # noqa: B010


if __name__ == "__main__":
    main()

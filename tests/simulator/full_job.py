"""One whole job over HTTP, printed call by call: set-up, reception to sign-off, and the certificate.

    python -m tests.simulator.full_job URL TOKEN [--certificate FILE.pdf] [--random-seed 7] [--short]

URL is where the service runs, TOKEN a manager's of any workshop in which a few records more do no harm. Nothing
but the REST interface is used; the vehicle and the tape are simulated here.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from reports.demo.simulated_tape import Tape
from tests.simulator.http_api import Answer, Api, connection
from tests.simulator.http_technician import HttpJob
from tests.simulator.http_workshop import HttpWorkshop
from tests.simulator.scenarios import ESTATE, WITH_AN_ERROR, draw_case

CERTIFICATE_PATIENCE_S = 180.0
SHOWN = ("id", "number", "state", "next_step", "verified", "outcome", "probability_within", "expected_writes", "token")
"""What `--short` shows of an answer."""
SECRETS = ("password", "pin", "token", "invitation")


class Printer:
    """Writes each call as it happens; secrets stay out of it."""

    def __init__(self, to: TextIO, *, short: bool) -> None:
        self._to, self._short = to, short

    def __call__(self, method: str, path: str, sent: Any, status: int, answer: Any) -> None:
        self._to.write(f"\n{method} {_hidden_code(path)}\n")
        if sent is not None:
            self._to.write(f"  {json.dumps(_without_secrets(sent))}\n")
        shown = _shortened(answer) if self._short else _without_secrets(answer)
        self._to.write(f"→ {status} {json.dumps(shown, ensure_ascii=False)}\n")


def _hidden_code(path: str) -> str:
    head, mark, rest = path.partition("/invitations/")
    return f"{head}{mark}…/{rest.partition('/')[2]}" if mark else path


def _without_secrets(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: "…" if key in SECRETS else _without_secrets(each) for key, each in value.items()}
    if isinstance(value, list):
        return [_without_secrets(each) for each in value]
    return value


def _shortened(answer: Any) -> Any:
    """The members that tell how the job goes on."""
    if not isinstance(answer, dict):
        return answer
    shown = {key: answer[key] for key in SHOWN if key in answer}
    if answer.get("assessment"):
        shown["assessment"] = _verdict(answer["assessment"])
    if "changes" in answer:
        shown["changes"] = {corner: [each["from"], each["to"]] for corner, each in answer["changes"].items()}
    if "results" in answer:
        shown["results"] = [_shortened(each) for each in answer["results"]]
    return _without_secrets(shown)


def _verdict(assessment: Any) -> Any:
    corners = {
        corner: f"{each['mean_mm']:.1f} ± {each['expanded_uncertainty_mm']:.1f} {each['verdict']}"
        for corner, each in assessment["corners"].items()
    }
    return {"verdict": assessment["verdict"], **corners}


def full_job(api: Api, random_seed: int, wait: Callable[[float], None] = time.sleep) -> tuple[HttpJob, Answer, bytes]:
    """Set up, work, wait for the worker; the job's course, the certificate and its PDF."""
    workshop = HttpWorkshop(api)
    technician = workshop.technician()
    vin = workshop.vehicle(workshop.model("Fell", ESTATE))
    rng = np.random.default_rng(random_seed)
    mixed = next(each for each in WITH_AN_ERROR if each.name == "mixed")
    case = draw_case(mixed, ESTATE, rng)
    job = technician.work(vin, case.vehicle, Tape(rng), reason="complaint")
    certificate = await_certificate(api, job.id, wait)
    return job, certificate, api.fetch(f"/certificates/{certificate['number']}/pdf/")


def await_certificate(api: Api, job_id: str, wait: Callable[[float], None]) -> Answer:
    """The job's certificate, once the worker has issued it."""
    deadline = time.monotonic() + CERTIFICATE_PATIENCE_S
    while time.monotonic() < deadline:
        found = api.get("/certificates/", job=job_id)["results"]
        if found and found[0]["state"] == "issued":
            return found[0]
        wait(1.0)
    raise TimeoutError(f"no certificate for job {job_id} within {CERTIFICATE_PATIENCE_S:.0f} s: is a worker running?")


def main(arguments: Sequence[str] | None = None) -> int:
    """Print one job; 0 where it was signed off."""
    parser = argparse.ArgumentParser(description="One whole job over HTTP.")
    parser.add_argument("url", help="where the service runs, such as http://127.0.0.1:8000")
    parser.add_argument("token", help="a manager's token")
    parser.add_argument("--certificate", type=Path, help="file to write the certificate to")
    parser.add_argument("--random-seed", type=int, default=7)
    parser.add_argument("--short", action="store_true", help="show only what tells how the job goes on")
    chosen = parser.parse_args(arguments)
    with connection(chosen.url) as client:
        api = Api(client, chosen.token, trace=Printer(sys.stdout, short=chosen.short))
        job, certificate, pdf = full_job(api, chosen.random_seed)
    if chosen.certificate:
        chosen.certificate.write_bytes(pdf)
    sys.stdout.write(f"\n{certificate['kind']} {certificate['number']}, {len(pdf)} bytes; {' '.join(job.steps)}\n")
    return 0 if job.signed_off else 1


if __name__ == "__main__":
    sys.exit(main())

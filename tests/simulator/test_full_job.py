"""One whole job against a running web server, with nothing but the interface: the script that the README shows."""

from __future__ import annotations

import io
import os
import re
import signal
import sys
from collections.abc import Callable, Iterator

import httpx
import pytest
from pypdf import PdfReader

from deploy.embedded.folder import CHECKOUT
from deploy.embedded.process import spawn, stop, wait_until
from tests.factories import Site, make_site
from tests.plain_http import TRUSTING_NOBODY
from tests.ports import free_port
from tests.reports.workshops import perform_due
from tests.simulator import full_job
from tests.simulator.http_api import Answer, Api, RefusedError, connection

START_PATIENCE_S = 240.0
STOP_PATIENCE_S = 120.0


@pytest.fixture
def site(committed_db: None) -> Site:
    return make_site()


@pytest.fixture(scope="module")
def url(database_environment: dict[str, str]) -> Iterator[str]:
    """A web server on the test database, as in production."""
    port = free_port()
    command = [sys.executable, "-m", "granian", "--interface=asginl", "--no-ws", "--log-level=critical"]
    command += ["--host=127.0.0.1", f"--port={port}", "--workers=1", "deploy.asgi:application"]
    environment = os.environ | database_environment | {"PYTHONWARNINGS": "ignore"}
    server = spawn(command, cwd=CHECKOUT, environment=environment)
    try:
        address = f"http://127.0.0.1:{port}"
        assert wait_until(lambda: answers(address) or server.poll() is not None, START_PATIENCE_S)
        assert server.poll() is None, "the web server did not start"
        yield address
    finally:
        stop(server, signal.SIGTERM, STOP_PATIENCE_S)


def answers(address: str) -> bool:
    try:
        httpx.get(f"{address}/healthz", timeout=5, verify=TRUSTING_NOBODY)
    except httpx.TransportError:
        return False
    return True


def work_in_the_background(site: Site) -> Callable[[float], None]:
    """What a worker does while the client waits."""

    def work(_seconds: float) -> None:
        perform_due(site.workshop.pk)

    return work


def test_a_whole_job_from_reception_to_the_certificate(
    url: str, site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    with connection(url) as client:
        api = Api(client, site.manager.token, trace=full_job.Printer(sys.stdout, short=True))
        course, certificate, pdf = full_job.full_job(api, random_seed=7, wait=work_in_the_background(site))
        job = api.get(f"/jobs/{course.id}/")
    assert course.signed_off
    assert certificate["kind"] == "certificate"
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).replace("\n", " ")
    assert not [words for words in (job["vehicle"]["vin"], "outside", "within", "head and hands") if words not in text]
    printed_figures = [float(figure) for figure in re.findall(r"\d+(?:\.\d+)?", text)]
    assert not [figure for figure in _figures(job) if min(abs(each - figure) for each in printed_figures) > 0.06]
    printed = capsys.readouterr().out
    assert "POST /api/v1/jobs/" in printed
    assert site.manager.token not in printed


def _figures(job: Answer) -> Iterator[float]:
    """Heights with their uncertainties as found and as left, and every set-point."""
    for measured in (job["rounds"][0], job["rounds"][-1]):
        for corner in measured["assessment"]["corners"].values():
            yield from (corner["mean_mm"], corner["expanded_uncertainty_mm"])
        yield from measured["setpoints"].values()


def test_a_refusal_is_told_with_the_problem(url: str, site: Site) -> None:
    with connection(url) as client, pytest.raises(RefusedError, match="422") as refused:
        Api(client, site.manager.token).post("/jobs/", {"vehicle": "no VIN", "reason": "routine", "odometer_km": 1})
    assert refused.value.problem["errors"][0]["pointer"] == "/vehicle"

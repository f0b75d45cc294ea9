"""The tablet's outbox before the real service: what it takes for a receipt and for a refusal are the service's own."""

from __future__ import annotations

import json
import os
import subprocess
import uuid
from collections.abc import Iterator
from io import BytesIO
from typing import Any

import pytest
from PIL import Image

from calibration.models import Job, Photo, Readiness, Round
from fleet.models import Installation
from fleet.tenancy import in_workshop
from tests.bench.node import HERE, TIMEOUT_S, Node
from tests.factories import make_site


def picture_hex() -> str:
    buffer = BytesIO()
    Image.new("RGB", (8, 8), "white").save(buffer, "PNG")
    return buffer.getvalue().hex()


@pytest.fixture
def epoch_kept(committed_db: None) -> Iterator[None]:
    before = Installation.objects.get().epoch
    yield
    Installation.objects.update(epoch=before)


def test_a_job_reaches_the_service_once_though_every_answer_is_lost_once(
    node: Node, origin: str, epoch_kept: None
) -> None:
    site = make_site()
    vehicle, instrument = site.vehicle(), site.instrument()
    with subprocess.Popen(
        node.command("send_to_service.mjs", origin, site.technician.token, vehicle.vin, str(instrument.pk)),
        cwd=HERE,
        env={**os.environ, "PICTURE": picture_hex()},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as tablet:
        assert tablet.stdout
        first: dict[str, Any] = json.loads(tablet.stdout.readline())
        Installation.objects.update(epoch=uuid.uuid4())
        rest, _ = tablet.communicate("go on\n", timeout=TIMEOUT_S)
    second: dict[str, Any] = json.loads(rest)
    ids = first["ids"]
    # Job, readiness, round and picture are carried out, and found again under their ids; the malformed round and the
    # picture that belongs to it are refused, as often as they come.
    assert first["answered"] == [201, 200, 201, 200, 422, 422, 404, 404, 201, 200, 201, 200]
    assert first["tray"] == [
        {"id": ids["malformed"], "behind": None, "status": 422},
        {"id": ids["orphan"], "behind": ids["malformed"], "status": 404},
    ]
    assert (first["sent"], first["pending"]["waiting"]) == (4, 0)
    # Another epoch: all four are offered again, and the service has them.
    assert (second["isRestored"], second["offeredAgain"]) == (True, 4)
    assert second["answered"] == [200, 200, 200, 200]
    assert (second["sent"], second["tray"]) == (4, first["tray"])
    with in_workshop(site.workshop.pk):
        for model, record in ((Job, "job"), (Round, "measured"), (Photo, "photo")):
            assert [str(pk) for pk in model.objects.values_list("pk", flat=True)] == [ids[record]]
        assert Readiness.objects.count() == 1

"""A real broker, a real worker and the real schedule: what the broker loses, the sweep brings back."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from django.db import connection
from redis import Redis

from deploy import broker
from deploy.celery import app
from deploy.embedded import valkey
from deploy.embedded.folder import CHECKOUT, DataFolder, data_folder
from deploy.embedded.process import stop, wait_until
from fleet.models import OutboxItem
from fleet.tasks import perform_outbox_item
from fleet.tenancy import in_workshop
from reports.models import Certificate
from tests.database import connected_to, copied_database, database_environment
from tests.factories import Site, make_site

from . import jobs

PATIENCE = 240
QUEUE = "celery"
WORKER = ["celery", "--app=deploy.celery", "--quiet", "worker", "--pool=solo", "--without-mingle", "--without-gossip"]


@pytest.fixture
def url() -> Iterator[str]:
    """The address of a Valkey of this test's own."""
    with tempfile.TemporaryDirectory(prefix="lb-", dir="/tmp") as base:
        Path(base).chmod(0o755)
        data = DataFolder(Path(base) / "data")
        server = valkey.spawn_server(data)
        try:
            assert wait_until(lambda: valkey.is_ready(data), PATIENCE)
            yield broker.embedded_url(data)
        finally:
            stop(server, valkey.STOP_SIGNAL, PATIENCE)


@pytest.fixture
def own_database(committed_db: None) -> Iterator[None]:
    """Of this test's own, since the sweep has the work of all workshops in it done."""
    with copied_database(data_folder(), "broker") as name, connected_to(name):
        yield


@contextmanager
def running(url: str, *module: str) -> Iterator[None]:
    """A process of the service on this test's database and broker."""
    environment = {
        **os.environ,
        **database_environment(data_folder(), connection.settings_dict["NAME"]),
        "BROKER_URL": url,
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
    }
    process = subprocess.Popen([sys.executable, "-m", *module], cwd=CHECKOUT, env=environment)
    try:
        yield
    finally:
        process.terminate()
        process.wait(PATIENCE)


def hint(item: OutboxItem, url: str) -> None:
    with app.connection_for_write(url) as there:
        app.send_task(perform_outbox_item.name, (str(item.workshop_id), str(item.pk)), connection=there)


def certificates(site: Site) -> list[str]:
    with in_workshop(site.workshop.pk):
        return list(Certificate.objects.values_list("state", flat=True))


@pytest.mark.parametrize("swept", [True, False], ids=["with the sweep", "without the sweep"])
def test_work_whose_hint_was_flushed_from_the_broker_is_done_by_the_sweep(
    own_database: None, monkeypatch: pytest.MonkeyPatch, url: str, swept: bool
) -> None:
    """Without the sweep it stays undone, while a fresh hint is served: so it is the sweep that brings it back."""
    monkeypatch.setattr("fleet.outbox.hint", lambda _workshop, _item: None)
    site = make_site()
    jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        item = OutboxItem.objects.get(kind="calibration.job_signed_off")
        other = OutboxItem.objects.filter(kind="fleet.invitation_email").earliest("created_at")
    hint(item, url)
    client = Redis.from_url(url.replace("redis+socket://", "unix://"))
    assert client.llen(QUEUE) == 1
    client.flushall()
    assert client.llen(QUEUE) == 0

    with ExitStack() as processes:
        processes.enter_context(running(url, *WORKER))
        if swept:
            processes.enter_context(running(url, "deploy.beat"))
            assert wait_until(lambda: certificates(site) == ["issued"], PATIENCE)
            return
        hint(other, url)
        assert wait_until(lambda: is_done(other), PATIENCE), "the worker works"
        assert certificates(site) == []


def is_done(item: OutboxItem) -> bool:
    with in_workshop(item.workshop_id):
        return OutboxItem.objects.filter(pk=item.pk, state="done").exists()

"""A workshop with much to be told of, a mail server and a receiver that can be down, and time that can pass."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from django.db import connection
from django.db.models import F
from django.utils import timezone

from deploy.embedded.folder import CHECKOUT, data_folder
from deploy.outbound import webhook_policy
from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem
from fleet.services import person_invite
from fleet.tenancy import in_workshop
from reports.models import Webhook
from reports.services.webhook_deliveries import event_tell
from reports.services.webhooks import webhook_add
from tests.database import database_environment
from tests.factories import Site, make_site
from tests.ports import free_port
from tests.reports import jobs
from tests.reports.mail_server import MailServer, mail_server
from tests.reports.receiver import Received, receiving

PERPETUAL: Final = ("reports.daily_round", "reports.drift_sweep")
"""Work that plans the next of its kind."""
POISON: Final[dict[str, Any]] = {"job": "no id", "since": None, "size": "many", "number": []}


@dataclass
class World:
    """`down` is until which simulated moment mail server and receiver are away."""

    site: Site
    mail: MailServer
    receiver_port: int
    down: timedelta
    jobs: list[UUID] = field(default_factory=list)
    told: int = 0
    founding: set[UUID] = field(default_factory=set)
    """What came with the workshop: an invitation among it that was accepted before anybody sent it."""
    poison: dict[UUID, str] = field(default_factory=dict)
    elapsed: timedelta = timedelta(0)
    posted: list[Received] = field(default_factory=list)
    _open: ExitStack = field(default_factory=ExitStack)
    _is_up: bool = False

    @property
    def workshop_id(self) -> UUID:
        return self.site.workshop.pk

    def variables(self) -> dict[str, str]:
        """With which a worker finds database, mail server and receiver."""
        return {
            **database_environment(data_folder(), connection.settings_dict["NAME"]),
            "EMAIL_URL": f"smtp://127.0.0.1:{self.mail.port}",
            "LEVELBOOK_WEBHOOK_NETWORKS": "127.0.0.0/8",
            "LEVELBOOK_WEBHOOK_PORTS": str(self.receiver_port),
            "LEVELBOOK_WEBHOOK_HTTP": "1",
            "DJANGO_SETTINGS_MODULE": "deploy.settings",
            # Whoever waits for a worker that is held gives up: where the outbox has no fault nobody has to wait.
            "PGOPTIONS": "-c lock_timeout=2s",
        }

    def let_time_pass(self, how_long: timedelta) -> None:
        """What waits is moved into the past, so that the sweep's own clock finds it."""
        with in_workshop(self.workshop_id):
            waiting = OutboxItem.objects.filter(state=OutboxItem.State.WAITING)
            waiting.update(due_at=F("due_at") - how_long, leased_until=F("leased_until") - how_long)
        self.elapsed += how_long
        self.open_or_close()

    def open_or_close(self) -> None:
        if not self._is_up and self.elapsed >= self.down:
            self._open.enter_context(mail_server(known=self.mail))
            receiver = self._open.enter_context(receiving(port=self.receiver_port))
            receiver.received = self.posted
            self._is_up = True

    def close(self) -> None:
        self._open.close()

    def arrived(self) -> Counter[str]:
        """How often each id came, of e-mails and of webhooks' messages."""
        mails = (str(each["Message-ID"]) for each in self.mail.taken)
        return Counter([*mails, *(each.headers["webhook-id"] for each in self.posted)])


@contextmanager
def filled_world(*, jobs_closed: int, invited: int, told: int, down: timedelta, poisoned: bool) -> Iterator[World]:
    """Everything in it was asked for through the services; nothing of it is performed yet."""
    world = World(make_site(), MailServer(free_port()), free_port(), down)
    actor = world.site.manager.actor()
    policy = webhook_policy(networks=["127.0.0.0/8"], ports=[str(world.receiver_port)], allows_http=True)
    with _webhooks_allowed(policy), in_workshop(world.workshop_id):
        url = f"http://127.0.0.1:{world.receiver_port}/hooks"
        webhook_add(actor=actor, record_id=new_id(), url=url, events=list(Webhook.Event.values))
        world.founding = set(OutboxItem.objects.values_list("pk", flat=True))
    for _ in range(jobs_closed):
        world.jobs.append(jobs.left_alone(world.site).job_id)
    with in_workshop(world.workshop_id):
        for number in range(invited):
            email = f"invited-{number}-{new_id().hex[-8:]}@strand.example"
            person_invite(actor=actor, record_id=new_id(), email=email, name=f"Invited {number}", roles=["auditor"])
        for _ in range(told):
            system = Actor.system(world.workshop_id, timezone.now())
            event_tell(system, "alert.opened", new_id(), {"alert": "1"})
        world.told = told
        for kind in outbox.handlers() if poisoned else ():
            world.poison[outbox.append(actor, kind, POISON).pk] = kind
    world.open_or_close()
    try:
        yield world
    finally:
        world.close()


@contextmanager
def _webhooks_allowed(policy: Any) -> Iterator[None]:
    from django.conf import settings

    usual, settings.WEBHOOK_POLICY = settings.WEBHOOK_POLICY, policy
    try:
        yield
    finally:
        settings.WEBHOOK_POLICY = usual


@dataclass
class Nursery:
    """The process that makes workers, from outside."""

    process: subprocess.Popen[str]

    def order(self, what: Any) -> str:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(what) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline().strip()
        assert answer, "the nursery has ended"
        return answer


@contextmanager
def nursery(world: World, log: Path) -> Iterator[Nursery]:
    command = [sys.executable, "-m", "tests.campaigns.outbox_fire.nursery"]
    pipes: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with log.open("ab") as errors:
        process = subprocess.Popen(
            command, cwd=CHECKOUT, env={**os.environ, **world.variables()}, stderr=errors, **pipes
        )
        try:
            yield Nursery(process)
        finally:
            process.kill()
            process.communicate()

"""A receiver on this machine, and a webhook that is told of everything."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from deploy.outbound import webhook_policy
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.models import Webhook
from reports.services.webhooks import webhook_add
from tests.factories import Site
from tests.reports.receiver import Receiver, receiving
from tests.reports.webhooks.told import Perform


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    with receiving() as made:
        settings.WEBHOOK_POLICY = webhook_policy(networks=["127.0.0.0/8"], ports=[str(made.port)], allows_http=True)
        yield made


@pytest.fixture
def hook(site: Site, receiver: Receiver, perform_all: Perform) -> tuple[Webhook, str]:
    """Told of everything, in a workshop that has nothing left to do."""
    perform_all(site)
    with in_workshop(site.workshop.pk):
        return webhook_add(
            actor=site.manager.actor(), record_id=new_id(), url=receiver.url, events=list(Webhook.Event.values)
        )

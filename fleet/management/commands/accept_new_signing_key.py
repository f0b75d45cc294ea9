"""`manage.py accept_new_signing_key`"""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.actor import Actor
from fleet.models import Workshop
from fleet.services.signing_keys import new_signing_key_accept
from fleet.tenancy import in_workshop
from fleet.verification import consistent_snapshot, verify_workshop

from .verify_records import BAD


class Command(BaseCommand):
    help = (
        "Where the key that signed the ledgers' heads is lost, and its public half too: verify everything but who "
        "signed them, have each ledger say so, and sign a head over that by today's key. Name a public key of before "
        "in FORMER_CHECKPOINT_KEYS instead wherever you have it; every certificate carries it."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        workshops = list(Workshop.objects.order_by("pk").values_list("pk", flat=True))
        if not workshops:
            raise CommandError("No workshop is to be seen. Run this as the database's owner: DATABASE_OWNER_URL.")
        bad = [line for each in workshops if (line := _bad_record(each))]
        for line in bad:
            self.stdout.write(line)
        if bad:
            raise CommandError(f"{len(bad)} of {len(workshops)} workshops have records that are not what they were.")
        for each in workshops:
            self._accept(each)

    def _accept(self, workshop_id: UUID) -> None:
        with in_workshop(workshop_id):
            head = new_signing_key_accept(actor=Actor.system(workshop_id, timezone.now()))
        done = (
            f"the new key signed a head of {head.size} entries"
            if head
            else "there is nothing that its ledger does not say"
        )
        self.stdout.write(f"workshop {workshop_id}: {done}.")


def _bad_record(workshop_id: UUID) -> str:
    with consistent_snapshot(), in_workshop(workshop_id):
        problem = verify_workshop(workshop_id, key_is_lost=True).problem
    return f"workshop {workshop_id}: {BAD}: {problem}" if problem else ""

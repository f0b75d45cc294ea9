"""`manage.py verify_records [--workshop ID] [--head FILE]`"""

from __future__ import annotations

from argparse import ArgumentTypeError
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from fleet.checkpoint_keys import known_keys, origin_of
from fleet.models import Workshop
from fleet.signed_heads import Head, HeadError, verified
from fleet.tenancy import in_workshop
from fleet.verification import Verified, consistent_snapshot, verify_workshop

BAD: Final = "BAD RECORD"


class Command(BaseCommand):
    help = (
        "Compute chains, trees and signed heads of the ledgers anew and compare every record with its ledger entry. "
        "Names the first bad record of each workshop and ends with 1 where there is one."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--workshop", type=UUID, action="append", help="only this one; may be repeated")
        parser.add_argument(
            "--head",
            type=_outside_head,
            action="append",
            default=[],
            metavar="FILE",
            help="a signed head kept elsewhere (the text `note` of a checkpoint); may be repeated. Shows whether "
            "history was rewritten by somebody who has this installation's key",
        )

    def handle(self, *args: Any, workshop: list[UUID] | None, head: list[Head], **options: Any) -> None:
        workshops = workshop or list(Workshop.objects.order_by("pk").values_list("pk", flat=True))
        _require_known(workshops, head)
        bad = [each for each in workshops if not self._is_good(each, head)]
        if bad:
            raise CommandError(f"{len(bad)} of {len(workshops)} workshops have records that are not what they were.")

    def _is_good(self, workshop_id: UUID, heads: Sequence[Head]) -> bool:
        own = [each for each in heads if each.origin == origin_of(workshop_id)]
        with consistent_snapshot(), in_workshop(workshop_id):
            if not Workshop.objects.filter(pk=workshop_id).exists():
                raise CommandError(f"There is no workshop {workshop_id}.")
            result = verify_workshop(workshop_id, own)
        self.stdout.write(f"workshop {workshop_id}: {_sentence(result, len(own))}")
        return result.problem is None


def _sentence(result: Verified, outside: int) -> str:
    if result.problem is not None:
        return f"{BAD}: {result.problem}"
    unproven = f" ({result.unproven} of them signed by a key that is lost)" if result.unproven else ""
    return (
        f"good. {result.entries} ledger entries in {result.books} books, {result.leaves} of them in the tree, "
        f"{result.checkpoints} checkpoints{unproven} and {outside} from outside, {result.rows} rows."
    )


def _require_known(workshops: Sequence[UUID], heads: Sequence[Head]) -> None:
    if not workshops:
        raise CommandError("No workshop is to be seen. Name one with --workshop, or run this as the database's owner.")
    origins = {origin_of(each) for each in workshops}
    for head in heads:
        if head.origin not in origins:
            raise CommandError(f"The head of {head.size} leaves is of {head.origin}, which is not looked at.")


def _outside_head(path: str) -> Head:
    try:
        return verified(Path(path).read_text(encoding="utf-8"), known_keys())
    except (OSError, UnicodeDecodeError) as error:
        raise ArgumentTypeError(f"{path} cannot be read: {error}") from None
    except HeadError as error:
        raise ArgumentTypeError(
            f"{path} is no head of this installation: {error}. Keys of before go into FORMER_CHECKPOINT_KEYS."
        ) from None

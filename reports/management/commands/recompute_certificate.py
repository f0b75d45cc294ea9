"""`manage.py recompute_certificate NUMBER [--workshop ID]`, or `--all`"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db.models import QuerySet

from fleet.models import Workshop
from fleet.tenancy import in_workshop
from fleet.verification import consistent_snapshot
from reports.models import Certificate
from reports.recomputing import Outcome, recomputed

BAD: Final = 1
USAGE: Final = 2
NOT_COMPARABLE: Final = 3


class Command(BaseCommand):
    help = (
        "Make certificates anew from the records and compare them with what was issued: data, text, bytes (with the "
        "renderer version that drew them), ledger and signature. Ends with 0 where all is proven, 1 where something "
        "is not, 2 where there is no such certificate, 3 where another version drew it and not everything can be "
        "compared."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("number", type=int, nargs="*", help="number of a certificate or findings report")
        parser.add_argument("--all", action="store_true", help="every issued one")
        parser.add_argument("--workshop", type=UUID, action="append", help="only this one's; may be repeated")

    def handle(self, *args: Any, number: list[int], workshop: list[UUID] | None, **options: Any) -> None:
        if bool(number) == options["all"]:
            raise CommandError("Name the numbers of certificates, or --all.", returncode=USAGE)
        outcomes = [
            outcome for workshop_id in _workshops(workshop) for outcome in self._of_workshop(workshop_id, number)
        ]
        if not outcomes and number:
            raise CommandError("No workshop has issued a certificate of this number.", returncode=USAGE)
        self._end(outcomes)

    def _of_workshop(self, workshop_id: UUID, numbers: Sequence[int]) -> list[Outcome]:
        """The worst of each certificate's."""
        with consistent_snapshot(), in_workshop(workshop_id):
            if not Workshop.objects.filter(pk=workshop_id).exists():
                raise CommandError(f"There is no workshop {workshop_id}.", returncode=USAGE)
            return [self._of_certificate(each) for each in _issued(workshop_id, numbers).iterator()]

    def _of_certificate(self, certificate: Certificate) -> Outcome:
        results = list(recomputed(certificate))
        worst = max((each.outcome for each in results), key=list(Outcome).index)
        self.stdout.write(f"workshop {certificate.workshop_id}, {certificate.kind} {certificate.number}: {worst.value}")
        for result in results:
            self.stdout.write(f"  {result}")
        return worst

    def _end(self, outcomes: Sequence[Outcome]) -> None:
        count = len(outcomes)
        bad, unknown = outcomes.count(Outcome.BAD), outcomes.count(Outcome.NOT_COMPARABLE)
        if bad:
            raise CommandError(f"{bad} of {count} certificates are not what the records give.", returncode=BAD)
        if unknown:
            text = f"{unknown} of {count} certificates were made by another version: not everything can be compared."
            raise CommandError(text, returncode=NOT_COMPARABLE)
        self.stdout.write(f"{count} certificates proven.")


def _workshops(named: list[UUID] | None) -> list[UUID]:
    return named or list(Workshop.objects.order_by("pk").values_list("pk", flat=True))


def _issued(workshop_id: UUID, numbers: Sequence[int]) -> QuerySet[Certificate]:
    # The database's owner, as whom the command runs, sees certificates of other workshops, too.
    own = Certificate.objects.filter(workshop=workshop_id)
    issued = own.exclude(state=Certificate.State.PREPARING).order_by("number")
    return issued.filter(number__in=numbers) if numbers else issued

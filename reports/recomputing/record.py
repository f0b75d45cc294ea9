"""The document as the records give it now, against the one that was issued."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterator, Mapping
from itertools import islice
from typing import Any, Final

from django.db.models import Q

from calibration.models import Refiling
from fleet.actor import Actor
from fleet.models import LedgerEntry
from fleet.verification import problems_of_vehicles

from ..certificate.document import to_json
from ..certificate.proof import Proof
from ..certificate.render import RENDERER_VERSION
from ..models import Certificate, CertificateFile
from ..snapshot import document_of
from .result import NotProvenError, Outcome, Result

PART: Final = "data"
MOST_NAMED: Final = 5
OWN_STEPS: Final = ("certificate_prepared", "certificate_issued", "certificate_replacement_requested")
"""Steps about certificates: they change nothing that a document says."""
SETTINGS: Final = frozenset({"/verification_url"})
"""What comes from the installation's settings and not from its records."""


def compare_data(certificate: Certificate, file: CertificateFile, proof: Proof) -> Result:
    """First whether the records are what their ledger says, then whether they still say the same."""
    vehicles = _vehicles(certificate)
    problem = next(problems_of_vehicles(certificate.workshop_id, vehicles), None)
    if problem is not None:
        raise NotProvenError(f"A record that it rests on is not what it was: {problem}.")
    actor = Actor.system(certificate.workshop_id, certificate.issued_at or certificate.requested_at)
    now = to_json(document_of(actor, certificate))
    found = [each for each in differences(file.snapshot, now) if each.partition(":")[0] not in SETTINGS]
    if not found:
        return Result(PART, Outcome.PROVEN, "The records give the same document again.")
    told = _named(found)
    if file.renderer_version != RENDERER_VERSION:
        said = f"Version {file.renderer_version} made it, this is {RENDERER_VERSION}; the records give now: {told}."
        return Result(PART, Outcome.NOT_COMPARABLE, said)
    steps = _later_steps({certificate.workshop_id, *vehicles}, proof)
    if not steps:
        raise NotProvenError(f"No later step explains that the records give now: {told}.")
    said = f"After later steps ({', '.join(steps)}) the records give now: {told}."
    return Result(PART, Outcome.CHANGED, said)


def differences(issued: Any, now: Any, place: str = "") -> Iterator[str]:
    """Where two JSON values differ: place, what was issued, and what it is now.

    >>> list(differences({"a": [1, 2]}, {"a": [1, 3], "b": None}))
    ['/a/1: issued 2, now 3', '/b: issued nothing, now None']
    """
    if isinstance(issued, Mapping) and isinstance(now, Mapping):
        for name in sorted(issued.keys() | now.keys()):
            yield from differences(issued.get(name, _NOTHING), now.get(name, _NOTHING), f"{place}/{name}")
    elif _is_list(issued) and _is_list(now):
        for index in range(max(len(issued), len(now))):
            yield from differences(_at(issued, index), _at(now, index), f"{place}/{index}")
    elif issued != now:
        yield f"{place}: issued {issued!r}, now {now!r}"


class _Nothing:
    def __repr__(self) -> str:
        return "nothing"


_NOTHING: Final = _Nothing()


def _is_list(value: Any) -> bool:
    return isinstance(value, list | tuple)


def _at(values: Any, index: int) -> Any:
    return values[index] if index < len(values) else _NOTHING


def _named(found: Collection[str]) -> str:
    more = len(found) - MOST_NAMED
    return "; ".join([*islice(found, MOST_NAMED), *([f"and {more} more"] if more > 0 else [])])


def _vehicles(certificate: Certificate) -> set[uuid.UUID]:
    """The certificate's, and every one to or from which a job of theirs was refiled."""
    vehicles: set[uuid.UUID] = {certificate.vehicle_id, certificate.job.vehicle_id}
    while True:
        moved = Refiling.objects.filter(Q(from_vehicle__in=vehicles) | Q(to_vehicle__in=vehicles))
        reached = {each for pair in moved.values_list("from_vehicle", "to_vehicle") for each in pair}
        if reached <= vehicles:
            return vehicles
        vehicles |= reached


def _later_steps(books: Collection[uuid.UUID], proof: Proof) -> list[str]:
    """Kinds of what the ledger tells of since it was prepared; ids follow the order of time."""
    later = LedgerEntry.objects.filter(book__in=books, pk__gt=proof.entry["id"]).exclude(kind__in=OWN_STEPS)
    return sorted(set(later.values_list("kind", flat=True)))

"""Requests made up from the interface's own description, with real records behind a good share of them.

Every operation gets valid and invalid input. Each answer is held against the description: no server error, a
documented status and media type, a body of the documented form.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import schemathesis
from django.core.cache import cache
from django.core.signals import got_request_exception
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
SHARE_OF_REAL_RECORDS = 0.7
SHARE_OF_LESSER_ROLES = 0.15
SCHEMA_ADDRESS = "/api/v1/schema/"

Records = Mapping[str, list[str]]
"""What really exists, by the address segment that a path names it after: `jobs` → ids, `vehicles` → VINs."""


@dataclass
class Tally:
    """What was sent and what came back."""

    statuses: Counter[int] = field(default_factory=Counter)
    operations: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    @property
    def requests(self) -> int:
        return sum(self.statuses.values())

    def table(self) -> str:
        classes = Counter[str]()
        for status, count in self.statuses.items():
            classes[f"{status // 100}xx"] += count
        return (
            f"{self.requests} requests over {len(self.operations)} operations; "
            f"by class {dict(sorted(classes.items()))}; "
            f"by status {dict(sorted(self.statuses.items()))}; {len(self.faults)} faults"
        )


def send_made_up_requests(
    application: Any,
    *,
    wanted: int,
    random_seed: int,
    new_token: Callable[[], str],
    records: Callable[[], Records],
    lesser_tokens: Sequence[str] = (),
    only: Callable[[str], bool] = lambda _label: True,
) -> Tally:
    """Send about `wanted` requests, the same number to each operation, with a fresh token for each operation.

    `lesser_tokens` are those of people who may less; a share of the requests comes from them.
    """
    schema = schemathesis.openapi.from_wsgi(SCHEMA_ADDRESS, application)
    found: list[Any] = list(schema.get_all_operations())
    operations = [each.ok() for each in found if only(each.ok().label)]
    each = max(1, round(wanted / len(operations) / 2))
    tally = Tally()

    def note_crash(request: Any = None, **_kwargs: Any) -> None:
        tally.faults.append(f"unhandled in {request.method} {request.get_full_path()}: {sys.exc_info()[1]!r}")

    got_request_exception.connect(note_crash)
    try:
        _send_to_each(operations, each, random_seed, new_token, lesser_tokens, records, tally)
    finally:
        got_request_exception.disconnect(note_crash)
    return tally


def _send_to_each(
    operations: list[Any],
    each: int,
    random_seed: int,
    new_token: Callable[[], str],
    lesser_tokens: Sequence[str],
    records: Callable[[], Records],
    tally: Tally,
) -> None:
    for operation in operations:
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            if mode is GenerationMode.NEGATIVE and not _takes_input(operation):
                continue
            cache.clear()  # what throttles remember: limits are tested elsewhere
            _send(operation, mode, each, random_seed, [new_token(), *lesser_tokens], records(), tally)


def _takes_input(operation: Any) -> bool:
    return bool(operation.body or operation.query or operation.path_parameters or operation.headers)


def _send(
    operation: Any, mode: Any, each: int, random_seed: int, tokens: Sequence[str], records: Records, tally: Tally
) -> None:
    chance = random.Random(f"{random_seed} {operation.label} {mode}")  # noqa: S311  (no secret is made)

    def send(case: Any) -> None:
        _name_real_records(case, records, chance)
        token = chance.choice(tokens) if chance.random() < SHARE_OF_LESSER_ROLES else tokens[0]
        response = case.call(headers={"Authorization": f"Bearer {token}"})
        tally.statuses[response.status_code] += 1
        tally.operations[operation.label] += 1
        try:
            case.validate_response(response, checks=CHECKS)
        except BaseExceptionGroup as found:
            tally.faults += [f"{operation.label}: {fault!r} {fault}"[:2000] for fault in found.exceptions]

    bounded: Any = settings(
        max_examples=each,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    seeded: Any = seed
    made_up: Any = given(operation.as_strategy(generation_mode=mode))
    seeded(random_seed)(bounded(made_up(send)))()


def _name_real_records(case: Any, records: Records, chance: random.Random) -> None:
    """Put something that exists into most path parameters."""
    for segment, name in parameters_of(case.operation.path):
        if records.get(segment) and chance.random() < SHARE_OF_REAL_RECORDS:
            case.path_parameters[name] = chance.choice(records[segment])


def parameters_of(path: str) -> Iterator[tuple[str, str]]:
    """(segment before it, name) of each parameter of a path."""
    segments = path.strip("/").split("/")
    for before, segment in pairwise(segments):
        if segment.startswith("{"):
            yield before, segment.strip("{}")

"""Requests made up from the interface's own description, with real records behind a good share of them.

Every operation gets valid and invalid input. Each answer is held against the description: no server error, a
documented status, media type and headers, a body of the documented form, and nothing taken that it rules out.
"""

from __future__ import annotations

import random
import re
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.core.cache import cache
from django.core.signals import got_request_exception
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.parameters import ParameterLocation
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.campaigns.requests.real_records import Fitter, Records, is_for_tablets, parameters_of

CHECKS: Final = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
MOST_SHOWN: Final = 600
NOT_DESCRIBED: Final = {
    *("year_out_of_range", "vin_character", "vin_check_digit", "vin_length"),
    *("no_such_head", "smaller_than_first"),
}
"""Refusals of a question for what a description has no words for: a VIN may come in any case and spacing; which sizes
a tree has heads of."""
SHARE_OF_LESSER_ROLES: Final = 0.15
SHARE_OF_ODD_HEADERS: Final = 0.06
ODD_HEADERS: Final = (
    {"Accept": "text/html"},
    {"Accept": "application/json;q=0"},
    {"Accept": "application/json; version=2"},
    {"Accept": ",;q=,"},
    {"Accept-Language": "x-none;q=7,*;q="},
    {"Content-Type": "text/plain"},
    {"Content-Type": "application/json; charset=latin-1"},
    {"Content-Type": "multipart/form-data"},
    {"Content-Type": ";"},
    {"If-Match": "*"},
    {"If-Match": 'W/"1", 3'},
    {"If-None-Match": '"1"'},
    {"Range": "bytes=5-1"},
    {"X-Request-ID": "'; --"},
    {"X-Forwarded-For": "nowhere"},
    {"Expect": "200-ok"},
)


@dataclass
class Tally:
    """What was sent and what came back."""

    statuses: Counter[int] = field(default_factory=Counter)
    operations: dict[str, Counter[int]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    never_invalid: list[str] = field(default_factory=list)
    """Operations to which no input is wrong: they take none, or no more than a text in the address."""

    @property
    def requests(self) -> int:
        return sum(self.statuses.values())

    def count(self, label: str, status: int) -> None:
        self.statuses[status] += 1
        self.operations.setdefault(label, Counter())[status] += 1

    def never_reached(self) -> list[str]:
        """Operations that never answered with success."""
        return sorted(label for label, statuses in self.operations.items() if not any(map(_is_success, statuses)))

    def table(self) -> str:
        rows = [f"{label}: {sum(found.values())} {dict(sorted(found.items()))}" for label, found in self._sorted()]
        return "\n".join((*rows, self.summary()))

    def summary(self) -> str:
        classes = Counter[str]()
        for status, count in self.statuses.items():
            classes[f"{status // 100}xx"] += count
        return (
            f"{self.requests} requests over {len(self.operations)} operations; "
            f"by class {dict(sorted(classes.items()))}; "
            f"by status {dict(sorted(self.statuses.items()))}; {len(self.faults)} faults; "
            f"never answered with success: {self.never_reached()}; "
            f"no input is wrong for: {self.never_invalid}"
        )

    def _sorted(self) -> list[tuple[str, Counter[int]]]:
        return sorted(self.operations.items(), key=lambda item: item[0].split()[::-1])


@dataclass
class MadeUpRequests:
    """About `wanted` requests to a schema's operations, the same number to each, with a fresh token for each.

    `lesser_tokens` are those of people who may less; a share of the requests comes from them.
    """

    schema: Any
    wanted: int
    random_seed: int
    new_token: Callable[[], str]
    tablet_token: Callable[[], str]
    records: Callable[[], Records]
    lesser_tokens: Sequence[str] = ()
    only: Callable[[str], bool] = lambda _label: True
    tally: Tally = field(default_factory=Tally)

    def send(self) -> Tally:
        """Send them all."""
        # How wrong credentials are refused is asked of every operation elsewhere; here they would hide the rest.
        self.schema.config.generation.update(with_security_parameters=False)
        found = [each.ok() for each in self.schema.get_all_operations()]
        operations = [each for each in found if self.only(each.label)]
        each = max(1, round(self.wanted / len(operations) / 2))
        got_request_exception.connect(self._note_crash)
        try:
            for operation in operations:
                self._send_to(operation, each)
        finally:
            got_request_exception.disconnect(self._note_crash)
        return self.tally

    def _note_crash(self, request: Any = None, **_kwargs: Any) -> None:
        self.tally.faults.append(f"unhandled in {request.method} {request.get_full_path()}: {sys.exc_info()[1]!r}")

    def _send_to(self, operation: Any, each: int) -> None:
        new_token = self.tablet_token if is_for_tablets(operation.path) else self.new_token
        tokens, records = [new_token(), *self.lesser_tokens], self.records()
        self._send_cases(operation, _Sender(self, operation.label, GenerationMode.POSITIVE, tokens, records), each)
        if not {"parameters", "requestBody"} & set(operation.definition.raw):
            self.tally.never_invalid.append(operation.label)
            return
        try:
            self._send_cases(operation, _Sender(self, operation.label, GenerationMode.NEGATIVE, tokens, records), each)
        except Unsatisfiable:
            self.tally.never_invalid.append(operation.label)

    def _send_cases(self, operation: Any, sender: _Sender, each: int) -> None:
        cache.clear()  # what throttles remember: limits are tested elsewhere
        bounded: Any = settings(
            max_examples=each,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        seeded: Any = seed
        made_up: Any = given(operation.as_strategy(generation_mode=sender.mode))
        seeded(self.random_seed)(bounded(made_up(sender.send)))()


class _Sender:
    """Sends the cases of one operation and judges the answers."""

    def __init__(
        self, campaign: MadeUpRequests, label: str, mode: GenerationMode, tokens: Sequence[str], records: Records
    ) -> None:
        self.campaign = campaign
        self.label = label
        self.mode = mode
        self.is_valid = mode is GenerationMode.POSITIVE
        self.tokens = tokens
        self.chance = random.Random(f"{campaign.random_seed} {label} {mode}")  # noqa: S311  (no secret is made)
        self.fitter = Fitter(records, self.chance, self._look_up)

    def send(self, case: Any) -> None:
        is_invalid = not self.is_valid and self._fit_invalid(case)
        if self.is_valid:
            self.fitter.fit_valid(case)
        token = self.chance.choice(self.tokens) if self.chance.random() < SHARE_OF_LESSER_ROLES else self.tokens[0]
        odd = self.chance.choice(ODD_HEADERS) if self.chance.random() < SHARE_OF_ODD_HEADERS else {}
        response = case.call(headers={"Authorization": f"Bearer {token}", **odd})
        self.campaign.tally.count(self.label, response.status_code)
        self._judge(case, response, [*CHECKS, *((negative_data_rejection,) if is_invalid else ())])
        if self.is_valid and self.label.startswith("GET") and not odd:
            self._judge_refusal(case, response)

    def _fit_invalid(self, case: Any) -> bool:
        return self.fitter.fit_invalid(case, path_is_wrong=case.meta.is_negative_at(ParameterLocation.PATH))

    def _judge(self, case: Any, response: Any, checks: list[Any]) -> None:
        try:
            case.validate_response(response, checks=checks)
        except BaseExceptionGroup as found:
            sent = f"{case.formatted_path}?{case.query} {case.body!r}"[:MOST_SHOWN]
            self.campaign.tally.faults += [f"{self.label}: {sent}: {fault}"[:2000] for fault in found.exceptions]

    def _judge_refusal(self, case: Any, response: Any) -> None:
        """A question that the description allows is refused only for a place in the list that nobody gave out."""
        if response.status_code == 422 and "cursor" not in (case.query or {}):
            errors = [each for each in response.json()["errors"] if each["code"] not in NOT_DESCRIBED]
            if errors:
                self.campaign.tally.faults.append(f"{self.label}: refused {case.query}: {errors}")

    def _look_up(self, case: Any, path: str) -> Any:
        """What an address of the case, whole or cut short, shows to the sender."""
        known = next(each for each in self.campaign.schema if _shape(each) == _shape(path))
        names = [name for _segment, name in parameters_of(path)]
        values = [case.path_parameters[name] for name in names]
        operation = self.campaign.schema[known]["GET"]
        shown = operation.Case(path_parameters=dict(zip(dict(parameters_of(known)).values(), values, strict=True)))
        response = shown.call(headers={"Authorization": f"Bearer {self.tokens[0]}"})
        self.campaign.tally.count(operation.label, response.status_code)
        return response


def _shape(path: str) -> str:
    """An address without the names of its parameters, which differ."""
    return re.sub(r"\{[^}]+\}", "{}", path)


def _is_success(status: int) -> bool:
    return 200 <= status < 300

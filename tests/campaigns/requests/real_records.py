"""Real records for made-up requests: addresses of what exists, bodies that nearly fit, versions that are current.

Input made up at random stops at the first check. These changes let a good share of it get as far as the records.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, NamedTuple, TypeVar

from django.utils import timezone

from fleet.ids import new_id
from tests.factories import PASSWORD, PIN

SHARE_OF_REAL_ADDRESSES: Final = 0.75
SHARE_OF_REAL_REFERENCES: Final = 0.85
SHARE_OF_FITTING_BODIES: Final = 0.6
SHARE_OF_CURRENT_VERSIONS: Final = 0.7
SHARE_OF_PLACES_IN_A_LIST: Final = 0.2
REFERENCES: Final = {
    "bay": "bays",
    "finding": "findings",
    "instrument": "instruments",
    "job": "jobs",
    "measured_by": "people",
    "operator": "operators",
    "person": "people",
    "proposal": "proposals",
    "to_job": "jobs",
    "vehicle": "vehicles",
    "vehicle_model": "vehicle-models",
}
"""What a member of a body or a question refers to, by the address segment of such records."""
TIMES: Final = ("taken_at", "written_at", "happened_at")
SECRETS: Final = {"pin": PIN, "password": PASSWORD}

Choice = TypeVar("Choice")


class Record(NamedTuple):
    """Something that exists: what addresses call it, and what it belongs to where the address says that too."""

    name: str
    parent: str | None = None


Records = Mapping[str, Sequence[Record]]
"""What really exists, by the address segment that a path names it after."""


def parameters_of(path: str) -> Iterator[tuple[str, str]]:
    """(segment before it, name) of each parameter of a path."""
    for before, segment in pairwise(path.strip("/").split("/")):
        if segment.startswith("{"):
            yield before, segment.strip("{}")


def is_for_tablets(path: str) -> bool:
    """Whether only an enrolled tablet may ask there."""
    return path.startswith("/api/v1/tablet/")


def real_parameters(
    path: str, records: Records, pick: Callable[[Sequence[Record]], Record] = lambda known: known[-1]
) -> dict[str, str]:
    """Path parameters that lead to one record; nothing for what does not exist."""
    found: dict[str, str] = {}
    parent: str | None = None
    for segment, name in reversed(list(parameters_of(path))):
        known = records.get(segment)
        if parent is not None:
            found[name] = parent
        elif known:
            found[name], parent = pick(known)
    return found


@dataclass
class Fitter:
    """Changes cases before they are sent. `look_up` answers a GET of the same address's record."""

    records: Records
    chance: random.Random
    look_up: Callable[[Any, str], Any]

    def fit_valid(self, case: Any) -> None:
        """A case that the description allows: lead it to records, now and then with one member made up."""
        self._address(case)
        if case.query:
            self._question(case)
        if isinstance(case.body, dict):
            case.body = self._body(case, made_up=self.chance.choice((0, 0, 1, 2)))
        if "If-Match" in (case.headers or {}) and self._happens(SHARE_OF_CURRENT_VERSIONS):
            case.headers["If-Match"] = self._etag(case)

    def fit_invalid(self, case: Any, *, path_is_wrong: bool) -> bool:
        """A case that breaks the description; tell whether it surely still does."""
        if not path_is_wrong:
            self._address(case)
        if "" in (case.query or {}).values():  # as good as not given
            return False
        if not isinstance(case.body, dict) or not self._happens(SHARE_OF_FITTING_BODIES):
            return True
        case.body = self._body(case, made_up=1)
        return False

    def _address(self, case: Any) -> None:
        if self._happens(SHARE_OF_REAL_ADDRESSES):
            case.path_parameters.update(real_parameters(case.operation.path, self.records, self.chance.choice))

    def _question(self, case: Any) -> None:
        if not self._happens(SHARE_OF_PLACES_IN_A_LIST):
            case.query.pop("cursor", None)
        for name in sorted(set(case.query) & set(REFERENCES)):
            if self._happens(SHARE_OF_REAL_REFERENCES):
                case.query[name] = self._real(case, name, case.query[name])

    def _body(self, case: Any, made_up: int) -> dict[str, Any]:
        examples = examples_of(case.operation)
        if not examples or not self._happens(SHARE_OF_FITTING_BODIES):
            return self._with_references(case, dict(case.body))
        fitting = self._with_references(case, dict(self.chance.choice(examples)))
        odd = self.chance.sample(sorted(case.body, key=str), min(made_up, len(case.body)))
        return fitting | {name: case.body[name] for name in odd}

    def _with_references(self, case: Any, body: dict[str, Any]) -> dict[str, Any]:
        if "id" in body:
            body["id"] = str(new_id())
        for name in body:
            if self._happens(SHARE_OF_REAL_REFERENCES):
                body[name] = self._real(case, name, body[name])
        return body

    def _real(self, case: Any, name: str, otherwise: Any) -> Any:
        if name in TIMES:
            return timezone.now().isoformat()
        if name in SECRETS:
            return SECRETS[name]
        if name == "content_sha256":
            return self._shown(case).get(name, otherwise)
        known = self.records.get(REFERENCES.get(name, ""), ())
        here = set((case.path_parameters or {}).values())
        return self._pick([each for each in known if each.parent in here] or known, otherwise)

    def _pick(self, known: Sequence[Record], otherwise: Any) -> Any:
        return self.chance.choice(known).name if known else otherwise

    def _shown(self, case: Any) -> dict[str, Any]:
        """What a signer is shown: the record that the action belongs to."""
        response = self.look_up(case, case.operation.path.rsplit("/", 2)[0] + "/")
        return dict(response.json()) if response.status_code == 200 else {}

    def _etag(self, case: Any) -> str:
        etag = self.look_up(case, case.operation.path).headers.get("etag", '"1"')
        return str(etag[0] if isinstance(etag, list) else etag)

    def _happens(self, share: float) -> bool:
        return self.chance.random() < share


def examples_of(operation: Any) -> list[dict[str, Any]]:
    """Bodies that the description shows."""
    content = operation.definition.raw.get("requestBody", {}).get("content", {})
    return [each["value"] for each in content.get("application/json", {}).get("examples", {}).values()]

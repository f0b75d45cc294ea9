"""Finds acknowledged records again as any client would: over the interface."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

from tests.campaigns.faults.journal import Acknowledged
from tests.simulator.http_api import Api, RefusedError

ACTIONS: Final = {"sign-off": "signed_off", "end": "ended", "pause": "", "resumption": ""}
"""Actions on a job, with the state that they leave it in; without one, any."""


def lost_to_the_interface(acknowledged: Sequence[Acknowledged], apis: Sequence[Api]) -> list[str]:
    """What was acknowledged and is not found, in sentences."""
    turns = itertools.cycle(apis)
    vehicles = [each for each in acknowledged if each.path == "/vehicles/"]
    others = [(each, next(turns)) for each in acknowledged if each.path != "/vehicles/"]
    with ThreadPoolExecutor(len(apis)) as pool:
        found = pool.map(lambda pair: _problem_of(*pair), others)
        return [*_vehicle_problems(vehicles, apis[0]), *filter(None, found)]


def _vehicle_problems(acknowledged: Iterable[Acknowledged], api: Api) -> Iterator[str]:
    listed = Counter(vehicle["id"] for vehicle in pages(api, "/vehicles/"))
    for each in acknowledged:
        if listed[each.id] != 1:
            yield f"vehicle {each.id} is listed {listed[each.id]} times"


def pages(api: Api, path: str) -> Iterator[dict[str, Any]]:
    """Every row of a collection."""
    query = {"page_size": "200"}
    while True:
        page = api.get(path, **query)
        yield from page["results"]
        if page["next"] is None:
            return
        query["cursor"] = page["next"].partition("cursor=")[2].partition("&")[0]


def _problem_of(record: Acknowledged, api: Api) -> str | None:
    owner, _, name = record.path.strip("/").rpartition("/")
    try:
        if name in ACTIONS:
            state = api.get(f"/{owner}/")["state"]
            return None if ACTIONS[name] in ("", state) else f"{record.path}: the job is {state}"
        if name in ("readings", "decision"):
            return None  # known by the readings' ids and by the approval; the audit of the tables counts both
        found = api.get(_address(record, name))["id"]
    except RefusedError as error:
        return f"{record.path} {record.id}: {error.status}"
    return None if found == record.id else f"{record.path} answers with {found}, not {record.id}"


def _address(record: Acknowledged, name: str) -> str:
    if name == "strike":
        return record.path
    return f"/photos/{record.id}/" if name == "photos" else f"{record.path}{record.id}/"

"""No request made up from the description meets a server error or an answer outside the description.

`campaign.py` beside this file asks for many more.
"""

from __future__ import annotations

import os
from typing import Any

import pytest
from rest_framework.response import Response

from fleet.api.workshop import MeView
from tests.calibration.api.contract import CONTRACT
from tests.campaigns.requests.conftest import Shop
from tests.campaigns.requests.made_up import MadeUpRequests
from tests.campaigns.requests.real_records import parameters_of

WANTED = int(os.environ.get("LEVELBOOK_REQUESTS", "180"))
NEVER_INVALID = {
    "DELETE /api/v1/tokens/current/",
    "GET /api/v1/me/",
    "GET /api/v1/tablet/",
    "GET /api/v1/tablet/people/",
    "GET /api/v1/vehicles/{vin}/",
    "GET /api/v1/vehicles/{vin}/tyres/",
    "GET /api/v1/me/calendar/",
    "DELETE /api/v1/me/calendar/",
    "GET /api/v1/workshop/",
}
"""They take no input, or a text in the address of which the description rules out nothing."""
SHOWN_FAULTS = 60
RANDOM_SEED = int(os.environ.get("LEVELBOOK_RANDOM_SEED", "1"))


def test_every_address_can_name_something_that_exists(shop: Shop) -> None:
    segments = {segment for _method, path, _operation in CONTRACT.operations() for segment, _ in parameters_of(path)}
    assert {segment for segment in segments if not shop.records().get(segment)} == set()


def test_every_answer_is_as_described(shop: Shop, described: Any) -> None:
    tally = MadeUpRequests(
        described,
        wanted=WANTED,
        random_seed=RANDOM_SEED,
        new_token=shop.new_token,
        tablet_token=shop.tablet_token,
        records=shop.records,
        lesser_tokens=shop.lesser_tokens(),
    ).send()
    print(tally.table())  # noqa: T201  (the campaign's result)
    assert not tally.faults, "\n\n".join(tally.faults[:SHOWN_FAULTS])
    assert set(tally.operations) == {f"{method.upper()} {path}" for method, path, _ in CONTRACT.operations()}
    assert set(tally.never_invalid) == NEVER_INVALID
    assert tally.statuses[200] + tally.statuses[201] > tally.requests / 10, "hardly anything was reached"


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (ZeroDivisionError("seeded"), "Server error"),
        (Response({"who": "nobody"}), "schema"),
        (Response(status=418), "418"),
    ],
    ids=["an exception", "a body of another form", "an undocumented status"],
)
def test_a_seeded_fault_is_noticed(
    shop: Shop, described: Any, monkeypatch: pytest.MonkeyPatch, answer: Any, told: str
) -> None:
    def faulty(*_args: Any, **_kwargs: Any) -> Any:
        if isinstance(answer, Exception):
            raise answer
        return answer

    monkeypatch.setattr(MeView, "retrieve", faulty)
    tally = MadeUpRequests(
        described,
        wanted=2,
        random_seed=1,
        new_token=shop.new_token,
        tablet_token=shop.tablet_token,
        records=shop.records,
        only=lambda label: label == "GET /api/v1/me/",
    ).send()
    assert any(told.lower() in fault.lower() for fault in tally.faults), tally.faults

"""A few random schedules of the bench app in a real Chromium, and seeded faults that the same checks must find.

`schedules.py` beside this file runs many more.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.app_files import forget_app_files
from tests.campaigns.bench.faults import FAULTY, SHIPPED, faulty_outbox, write_app_with
from tests.campaigns.bench.running import MOST_IN_VAIN, Outcome, Place, ask_until_at_rest, day_at, run_schedule
from tests.campaigns.bench.tablet import Disk

FIRST = int(os.environ.get("LEVELBOOK_FIRST_SCHEDULE", "0"))
SCHEDULES = int(os.environ.get("LEVELBOOK_SCHEDULES", "3"))
RANDOM_SEED = int(os.environ.get("LEVELBOOK_RANDOM_SEED", "1"))
A_DAY = 8
SHOWN_PROBLEMS = 5


def test_whatever_befalls_the_tablet_nothing_is_lost_nothing_comes_twice_and_the_order_is_kept(place: Place) -> None:
    totals: Counter[str] = Counter()
    wrong = []
    for outcome in outcomes(place):
        totals.update(outcome.counts + Counter({"schedules": 1}))
        tell(outcome.line())
        if outcome.problems:
            wrong.append((outcome.number, outcome.problems[:SHOWN_PROBLEMS], outcome.screens))
    tell(f"{totals['schedules']} schedules, {len(wrong)} went wrong; {dict(totals)}")
    assert wrong == []
    assert totals["schedules"] == FIRST % A_DAY + SCHEDULES
    assert totals["records"] > totals["schedules"]


def outcomes(place: Place) -> Iterator[Outcome]:
    """A schedule rests on those before it on the same day: that of the first one is run from its beginning."""
    end = FIRST + SCHEDULES
    for begin in range(FIRST - FIRST % A_DAY, end, A_DAY):
        with day_at(place, f"{RANDOM_SEED}/{begin}") as day:
            for number in range(begin, min(begin + A_DAY, end)):
                outcome = run_schedule(day, number)
                yield outcome
                if outcome.problems:
                    break  # what is lost stays lost; the next day begins anew


def tell(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


BY_FAULT = {
    "DeletesBeforeTheReceipt": ({"unreachable": 1}, ("lost: ",)),
    "IgnoresTheEpoch": ({"backed up": 1, "restored": 2}, ("lost: ",)),
    "ReordersAVehicle": ({"cut": 1}, ("reordered: ", "not accepted: ")),
}
"""What befalls the tablet in the seeded schedules, and what the checks then say, among others. A record that overtakes
what it rests on is not accepted; the app as it is has none of those in these schedules."""
MOST_SEEDED = 16


@pytest.mark.parametrize("fault", BY_FAULT)
def test_a_fault_in_the_outbox_is_found(place: Place, fault: str, tmp_path: Path, settings: Any) -> None:
    write_app_with(fault, tmp_path)
    settings.STATICFILES_DIRS = [tmp_path]
    forget_app_files()
    weights, told = BY_FAULT[fault]
    found: list[str] = []
    for number in range(MOST_SEEDED):
        with day_at(place, f"{fault}/{number}") as day:
            found += run_schedule(day, number, weights, most_in_vain=1).problems
        if any(each.startswith(told) for each in found):
            return
    raise AssertionError(f"{fault} was not found: {found}")


def test_a_tablet_is_judged_when_it_has_sent_all_or_nothing_more_goes_however_slow_it_is() -> None:
    sends_one_at_a_time = [_disk(waiting) for waiting in range(100, -1, -1)]
    is_stuck = [_disk(2), *([_disk(1)] * 100)]
    for disks, asked in ((sends_one_at_a_time, len(sends_one_at_a_time)), (is_stuck, MOST_IN_VAIN + 2)):
        coming = iter(disks)
        ask_until_at_rest(coming.__next__, lambda disk: not disk.waiting, MOST_IN_VAIN)
        assert len(disks) - len(list(coming)) == asked


def _disk(waiting: int) -> Disk:
    return Disk([{"state": "waiting"}] * waiting, [], None)


def test_a_fault_that_can_no_longer_be_put_in_is_told() -> None:
    shipped, faulty = SHIPPED.read_text(), FAULTY.read_text()
    assert "export { IgnoresTheEpoch as Outbox };" in faulty_outbox("IgnoresTheEpoch", shipped, faulty)
    for changed in (
        ("IgnoresTheEpoch", shipped.replace("class Outbox", "class Other"), faulty),
        ("Gone", shipped, faulty),
    ):
        with pytest.raises(AssertionError, match="no longer there"):
            faulty_outbox(*changed)

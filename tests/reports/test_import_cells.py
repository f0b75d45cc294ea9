"""What times in cells mean: days alone and days with slashes only as somebody said."""

from __future__ import annotations

from datetime import time
from zoneinfo import ZoneInfo

import pytest

from reports.imports.columns import Reading, clock, is_day_alone, moment
from reports.imports.faults import RowFault

BERLIN = ZoneInfo("Europe/Berlin")
STRICT = Reading(BERLIN)
NOON = Reading(BERLIN, BERLIN, time(12))
DAY_FIRST = Reading(BERLIN, BERLIN, time(12), "day_first")
MONTH_FIRST = Reading(BERLIN, BERLIN, time(12), "month_first")


@pytest.mark.parametrize(
    ("written", "reading", "meant"),
    [
        ("2024-03-05", NOON, "2024-03-05T12:00:00+01:00"),
        ("05.03.2024", NOON, "2024-03-05T12:00:00+01:00"),
        ("5.7.2024", NOON, "2024-07-05T12:00:00+02:00"),
        ("2024-03-05", Reading(None, BERLIN, time(7, 30)), "2024-03-05T07:30:00+01:00"),
        ("03/05/2024", DAY_FIRST, "2024-05-03T12:00:00+02:00"),
        ("03/05/2024", MONTH_FIRST, "2024-03-05T12:00:00+01:00"),
        ("03/05/2024 09:30", DAY_FIRST, "2024-05-03T09:30:00+02:00"),
        ("3/5/2024, 9:30:15", MONTH_FIRST, "2024-03-05T09:30:15+01:00"),
        ("03/05/2024 09:30", Reading(BERLIN, day_order="day_first"), "2024-05-03T09:30:00+02:00"),
        ("2024-03-05 09:30", STRICT, "2024-03-05T09:30:00+01:00"),
        ("2024-03-05T09:30Z", NOON, "2024-03-05T09:30:00Z"),
        ("27.10.2024 02:30 +02:00", NOON, "2024-10-27T02:30:00+02:00"),
        ("27.10.2024 02:30+0100", STRICT, "2024-10-27T02:30:00+01:00"),
        ("27/10/2024 02:30 +01:00", DAY_FIRST, "2024-10-27T02:30:00+01:00"),
    ],
)
def test_times_mean_what_was_said(written: str, reading: Reading, meant: str) -> None:
    assert moment(written, reading) == meant


@pytest.mark.parametrize(
    ("written", "reading", "code"),
    [
        ("2024-03-05", STRICT, "time_of_day_missing"),
        ("25/05/2024", NOON, "day_or_month_first"),
        ("25/05/2024 09:30", STRICT, "day_or_month_first"),
        ("25/05/2024", MONTH_FIRST, "no_such_time"),
        ("2024-02-30", NOON, "no_such_time"),
        ("2024-03-31", Reading(BERLIN, BERLIN, time(2, 30)), "ambiguous_time"),
        ("05.03.24", NOON, "two_digit_year"),
        ("5.3.24 09:30", STRICT, "two_digit_year"),
        ("03/05/24", DAY_FIRST, "two_digit_year"),
        ("3/5/24, 9:30 PM", MONTH_FIRST, "two_digit_year"),
        ("24-03-05T09:30Z", NOON, "two_digit_year"),
        ("05-03-24", NOON, "two_digit_year"),
        ("05.03.124", NOON, "not_a_time"),
        ("05.03-24", NOON, "not_a_time"),
        ("2024/03/05", DAY_FIRST, "not_a_time"),
    ],
)
def test_what_may_mean_several_things_is_refused(written: str, reading: Reading, code: str) -> None:
    with pytest.raises(RowFault) as refusal:
        moment(written, reading)
    assert refusal.value.fault.code == code
    assert written in refusal.value.fault.detail


@pytest.mark.parametrize(
    ("written", "meant"), [("9:30", "09:30:00"), ("09:30:15", "09:30:15"), ("9.30 Uhr", "09:30:00")]
)
def test_times_of_day_in_a_column_of_their_own(written: str, meant: str) -> None:
    assert clock(written, STRICT) == meant


@pytest.mark.parametrize("written", ["0.25", "0.75", "0.5", "25", "9.30 am"])
def test_what_is_no_time_of_day_is_refused(written: str) -> None:
    """A spreadsheet's number for six o'clock is 0.25, which is not 25 minutes past midnight."""
    with pytest.raises(RowFault) as refusal:
        clock(written, STRICT)
    assert refusal.value.fault.code == "not_a_time_of_day"


def test_a_day_on_which_the_assumed_time_is_none_says_which_time() -> None:
    with pytest.raises(RowFault) as refusal:
        moment("31.03.2024", Reading(BERLIN, BERLIN, time(2, 30)))
    assert "31.03.2024 02:30" in refusal.value.fault.detail


def test_days_are_told_from_times() -> None:
    assert [is_day_alone(each) for each in ("2024-03-05", "5.3.2024", "3/5/2024", "2024-03-05 09:30", "", None)] == [
        *[True] * 3,
        *[False] * 3,
    ]

"""Figures in the service's sentences: a minus sign, the language's decimal sign, a tenth."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone
from django.utils.translation import override

from calibration.rules import notation, proposal_texts, texts
from calibration.rules.limit_texts import limit_text


@pytest.mark.parametrize(
    ("language", "value", "shown"),
    [
        ("en", -11.24, "−11.2"),
        ("de", -11.24, "−11,2"),
        ("de", 1234.56, "1234,6"),
        ("en", 3.0, "3"),
        ("en", -0.04, "0"),
        ("en", -27, "−27"),
        ("en", [-6, 120], "−6, 120"),
        ("en", "2026-05-01", "2026-05-01"),
        ("en", True, True),
    ],
)
def test_a_value_is_shown_as_it_is_read(language: str, value: object, shown: object) -> None:
    with override(language):
        assert notation.shown_value(value) == shown


def test_sentences_show_their_values_so() -> None:
    values = {"warp_mm": -11.2, "expanded_uncertainty_mm": 2.7, "limit_mm": 3.0}
    assert "twisted by −11.2 ± 2.7 mm, more than 3 mm" in texts.finding_detail("large_warp", None, values)
    assert limit_text("band", -27, -20) == "set-point −27, nearest edge of the corner's band −20"
    reason = proposal_texts.corner_reason_text(
        "moves_towards_target", {"expected_change_mm": -5.14, "deviation_mm": 5.2}
    )
    assert reason.startswith("moves −5.1 mm because it is 5.2 mm")


@pytest.mark.parametrize(
    ("language", "written"),
    [("en", ("41\u202f250.5 km", "1\u202f041\u202f300 km")), ("de", ("41\u202f250,5 km", "1\u202f041\u202f300 km"))],
)
def test_kilometres_are_in_groups_of_three_in_every_language(language: str, written: tuple[str, str]) -> None:
    with override(language):
        told = texts.finding_detail("odometer_lower", None, {"odometer_km": 41250.5, "before_km": 1041300.0})
    assert all(each in told for each in written)


def test_one_count_is_told_in_the_singular_of_either_sign() -> None:
    assert limit_text("step", 1, 20) == "change of 1 count, at most 20 in one write"
    assert limit_text("step", -1, 20) == "change of −1 count, at most 20 in one write"
    assert limit_text("shift_review", 43, 40) == "43 counts from the baseline, at most 40 without approval"
    assert "approval by another person who may approve" in limit_text("found_in_doubt", 70, 60)
    assert limit_text("shift_limit", 2, 60) == "2 counts from the baseline, never more than 60"
    assert "(1 count)" in proposal_texts.corner_reason_text("stopped_by_step", {"limit_counts": 1})
    assert "(20 counts)" in proposal_texts.corner_reason_text("stopped_by_step", {"limit_counts": 20})


@pytest.mark.parametrize(
    ("language", "zone", "shown"),
    [
        ("en", "UTC", "19 Jun 2026, 09:47 UTC"),
        ("en", "Asia/Kathmandu", "19 Jun 2026, 15:32"),
        ("de", "Asia/Kathmandu", "19.06.2026, 15:32"),
    ],
)
def test_times_and_days_are_told_as_pages_write_them(language: str, zone: str, shown: str) -> None:
    """A time in UTC, where the reader's zone is not known, says so."""
    values = {"happened_at": "2026-06-19T09:47:12.345678+00:00", "calibration_due_on": "2026-05-01", "serial": "B1"}
    with override(language), timezone.override(ZoneInfo(zone)):
        assert f" {shown} " in texts.finding_detail("clock_wrong", None, values)
        due = texts.finding_detail("instrument_overdue", None, values)
    assert ("(1 May 2026)" if language == "en" else "(01.05.2026)") in due

"""Figures in the service's sentences: a minus sign, the language's decimal sign, a tenth."""

from __future__ import annotations

import pytest
from django.utils.translation import override

from calibration.rules import notation, texts
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
    reason = texts.corner_reason_text("moves_towards_target", {"expected_change_mm": -5.14, "deviation_mm": 5.2})
    assert reason.startswith("moves −5.1 mm because it is 5.2 mm")

"""Whether a vehicle is ready to be measured and adjusted: adjusting repairs nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from fleet.specifications import READINESS_ITEMS

from .record import JobRecord

ITEMS = READINESS_ITEMS
Outcome = Literal["pass", "fail", "not_done", "not_applicable"]
OUTCOMES: tuple[Outcome, ...] = ("pass", "fail", "not_done", "not_applicable")


def merged(record: JobRecord, last_outcomes: Mapping[str, str]) -> dict[str, str]:
    """Per item the outcome that counts; what is missing, or not applicable without leave, is not done."""
    return {item: _counting(item, last_outcomes.get(item, "not_done"), record) for item in ITEMS}


def is_ready(merged_outcomes: Mapping[str, str]) -> bool:
    return all(outcome in ("pass", "not_applicable") for outcome in merged_outcomes.values())


def _counting(item: str, outcome: str, record: JobRecord) -> str:
    if outcome == "not_applicable" and item not in record.readiness_not_applicable:
        return "not_done"
    return outcome

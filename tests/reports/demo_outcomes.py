"""What each story of the demo comes to: its jobs, documents, findings and writes, and the alerts of its vehicle."""

from __future__ import annotations

from typing import Any

from calibration.models import Job
from calibration.selectors.casefile import CaseFile
from reports.demo.scenes import Check, Story
from reports.demo.simulated_vehicle import CORNER_NAMES
from reports.demo.stories import STORIES
from reports.models import DriftAlert

END_OF_STORY: dict[str, dict[str, Any]] = {
    "a year with one ambulance": {
        "states": ["signed_off"] * 3,
        "reason": "signed_off",
        "documents": ["certificate"] * 3,
        "writes": [1, 0, 1],
        "findings": {"leave_alone"},
    },
    "a replaced sensor": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "findings": {"corner_not_responding"},
    },
    "air at the rear only": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "findings": {"not_adjustable_here"},
    },
    "a misreading": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "findings": {"pair_disagrees"},
    },
    "a slow leak": {
        "states": ["ended"],
        "reason": "ended",
        "documents": ["findings_report"],
        "writes": [0],
    },
    "left alone": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "writes": [0],
        "findings": {"leave_alone"},
    },
    "one sensor for the rear axle": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
    },
    "back to where it was": {
        "states": ["reverted"],
        "reason": "reverted",
        "documents": ["findings_report"],
    },
    "more than the limits allow": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
    },
    "a concession": {"states": ["signed_off"], "reason": "signed_off", "documents": ["certificate"]},
    "an approval waiting": {
        "states": ["measuring"],
        "step": "get_approval",
        "reason": "proposal",
        "documents": [],
        "writes": [0],
    },
    "waiting for parts": {
        "states": ["paused"],
        "step": "paused",
        "reason": "paused",
        "documents": [],
        "writes": [0],
    },
}


SIGNED_OFF: dict[str, Any] = {"states": ["signed_off"], "reason": "signed_off", "documents": ["certificate"]}
NO_JOB: dict[str, Any] = {"states": [], "documents": []}
END_OF_STORY |= {
    "a drifting corner caught early": {
        "states": ["signed_off"] * 2,
        "reason": "signed_off",
        "documents": ["certificate"] * 2,
        "writes": [0, 1],
    },
    "a drifting corner still open": NO_JOB,
    "larger tyres": {
        "states": ["signed_off"] * 2,
        "reason": "signed_off",
        "documents": ["certificate"] * 2,
        "findings": {"tyre_not_listed"},
    },
    "a leak that the cold imitates": SIGNED_OFF,
    "a leak found and mended": SIGNED_OFF | {"findings": {"leak_outside"}},
    "an uneven axle": SIGNED_OFF | {"writes": [1]},
    "overdue": NO_JOB,
    "two people measure": SIGNED_OFF,
    "steel in front, air behind": SIGNED_OFF,
    "three services of one estate": {
        "states": ["signed_off"] * 3,
        "reason": "signed_off",
        "documents": ["certificate"] * 3,
    },
    "two services on safari": {
        "states": ["signed_off"] * 2,
        "reason": "signed_off",
        "documents": ["certificate"] * 2,
    },
    "lowered at the front": SIGNED_OFF,
    "nothing to adjust": NO_JOB,
}


ALERTS: dict[str, set[tuple[str, str, str]]] = {
    "a year with one ambulance": {("trend", "RL", "resolved")},
    "a drifting corner caught early": {("trend", "FL", "resolved")},
    "a drifting corner still open": {("trend", "RL", "open")},
    "an uneven axle": {("uneven", "front", "resolved")},
    "overdue": {("overdue", "", "open")},
    "air at the rear only": {("out_of_tolerance", "FL", "open"), ("uneven", "front", "open")},
    "back to where it was": {("out_of_tolerance", corner, "open") for corner in CORNER_NAMES},
}
"""Kind, place and state; of all other vehicles there are none."""


def jobs_of(story: Story) -> list[CaseFile]:
    jobs = Job.objects.filter(vehicle__registration=story.registration).select_related("vehicle", "specification")
    return [CaseFile(job) for job in jobs.order_by("opened_at")]


def checks_told(story: Story) -> int:
    return sum(isinstance(scene, Check) for scene in story.scenes)


def alerts_of(story: Story) -> list[DriftAlert]:
    return list(DriftAlert.objects.filter(vehicle__registration=story.registration).order_by("opened_at"))


def told(key: str) -> Story:
    return next(story for story in STORIES if story.key == key)

"""The work: jobs, what was measured, assessed, proposed, decided and written."""

from .adjustment import Approval, Concession, Decision, Finding, Proposal, Ruling, Write
from .checks import HeightCheck, HeightCheckPhoto, HeightCheckReading, HeightCheckStrike
from .drift import DriftRatePrior, DriftSeries, DriftState
from .job import (
    OPEN_STATES,
    BaselineReset,
    Job,
    JobEnd,
    JobRecordModel,
    Pause,
    Readiness,
    Refiling,
    Resumption,
    Reversion,
    SignOff,
)
from .measurement import Assessment, LeakTest, Photo, Reading, ReadingStrike, RepeatabilitySums, Round
from .response import JobPrior, ResponsePosterior

__all__ = [
    "OPEN_STATES",
    "Approval",
    "Assessment",
    "BaselineReset",
    "Concession",
    "Decision",
    "DriftRatePrior",
    "DriftSeries",
    "DriftState",
    "Finding",
    "HeightCheck",
    "HeightCheckPhoto",
    "HeightCheckReading",
    "HeightCheckStrike",
    "Job",
    "JobEnd",
    "JobPrior",
    "JobRecordModel",
    "LeakTest",
    "Pause",
    "Photo",
    "Proposal",
    "Readiness",
    "Reading",
    "ReadingStrike",
    "Refiling",
    "RepeatabilitySums",
    "ResponsePosterior",
    "Resumption",
    "Reversion",
    "Round",
    "Ruling",
    "SignOff",
    "Write",
]

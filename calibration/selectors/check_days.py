"""The day of a height check, by which the revision that judges it is found."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fleet.days import local_day

from ..models import HeightCheck
from ..rules.finding_kinds import TIME_ASSUMED


@dataclass(frozen=True)
class AssumedTime:
    """Only the day of a check was noted: what was assumed beyond it."""

    day: date
    time_of_day: str
    time_zone: str

    def as_values(self) -> dict[str, str]:
        """What the finding holds."""
        return {"day_on": self.day.isoformat(), "time_of_day": self.time_of_day, "time_zone": self.time_zone}


def assumed_time_of(check: HeightCheck) -> AssumedTime | None:
    """What was assumed of the time of a check that is on record."""
    values = next((each["values"] for each in check.findings if each["code"] == TIME_ASSUMED), None)
    if values is None:
        return None
    return AssumedTime(date.fromisoformat(values["day_on"]), values["time_of_day"], values["time_zone"])


def day_measured(check: HeightCheck) -> date:
    """The day of a check that is on record."""
    return day_of(check, assumed_time_of(check))


def day_of(check: HeightCheck, assumed: AssumedTime | None) -> date:
    """What the workshop's calendar showed, but where only a day was noted that one, whatever zone it was noted in."""
    return assumed.day if assumed else local_day(check.happened_at)

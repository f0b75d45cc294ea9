"""Workshops at whose place it is another day than in UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from fleet import services
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from tests.factories import Site

HOURS: Final = {"Pacific/Auckland": 20, "Pacific/Honolulu": 5}
"""In UTC: morning of the day after there, evening of the day before here."""
on_both_sides = pytest.mark.parametrize("zone", HOURS)
ONE_DAY: Final = timedelta(days=1)


@dataclass(frozen=True)
class Place:
    """A workshop in its zone. Its time is one of so many days ahead at which UTC has another day."""

    zone: str
    now: datetime

    def day_of(self, at: datetime) -> date:
        return at.astimezone(ZoneInfo(self.zone)).date()

    @property
    def today(self) -> date:
        return self.day_of(self.now)

    @property
    def tomorrow(self) -> date:
        return self.today + ONE_DAY

    @property
    def yesterday(self) -> date:
        return self.today - ONE_DAY

    @property
    def is_ahead(self) -> bool:
        """Of UTC."""
        return self.today > self.now.date()


def moved(site: Site, zone: str, days: int = 3) -> Place:
    """Let the workshop be there; `days` from now on, before now where negative."""
    move(site, zone)
    day = timezone.now().date() + timedelta(days=days)
    place = Place(zone, datetime.combine(day, time(HOURS[zone]), UTC))
    assert place.today != place.now.date()
    return place


def move(site: Site, zone: str, at: datetime | None = None) -> None:
    with in_workshop(site.workshop.pk):
        services.workshop_update(
            actor=site.manager.actor(at or site.began_at),
            expected_versions=[Workshop.objects.get().version],
            changes={"time_zone": zone},
        )

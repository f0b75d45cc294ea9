"""Which day it is where the workshop is.

Business days (of a calibration, a revision, an acknowledgement) are days of a calendar, as people at the workshop write
them. What is compared with them is the day that the workshop's clocks showed at a time, never the day in UTC.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from .errors import Invalid
from .looks import dates
from .models import Workshop
from .tenancy import current_workshop_id, known_here

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

TIME_ZONE: Final = "time_zone"
_TODAY: Final = _("Where the workshop is (%(zone)s) it is %(today)s.")


def local_day(at: datetime) -> date:
    """The day of a time in the zone of the workshop that is being served."""
    return at.astimezone(workshop_zone()).date()


def first_moment(day: date) -> datetime:
    """When a day begins where the workshop is."""
    return datetime.combine(day, time.min, workshop_zone()).astimezone(UTC)


def require_not_to_come(day: date, now: datetime, pointer: str, code: str, refusal: _StrOrPromise) -> None:
    """Refuse a day that has not begun where the workshop is, and say which one it is there."""
    today = local_day(now)
    if day > today:
        values = {"zone": workshop_zone().key, "today": dates.day(today)}
        raise Invalid.at(pointer, code, format_lazy("{} {}", refusal, _TODAY % values))


def workshop_zone() -> ZoneInfo:
    """Asked of the database once in each `in_workshop`, unless whoever found out who calls has told it."""
    known = known_here()
    if TIME_ZONE not in known:
        # Named, since commands of the database's owner see all workshops.
        known[TIME_ZONE] = Workshop.objects.values_list("time_zone", flat=True).get(pk=current_workshop_id())
    return ZoneInfo(known[TIME_ZONE])


def note_time_zone(workshop: Workshop) -> None:
    """The workshop of this context was read, or got another zone."""
    known_here()[TIME_ZONE] = workshop.time_zone

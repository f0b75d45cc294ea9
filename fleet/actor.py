"""Who does a business step, in which workshop, and at what time."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import datetime, timedelta

SYSTEM_ROLE = "system"
CLOCK_TOLERANCE = timedelta(minutes=5)
"""No two clocks agree, and times noted by hand are whole minutes."""


@dataclass(frozen=True, slots=True)
class Actor:
    """One person (or the service itself) acting in exactly one workshop.

    `now` is the server's time for the whole step. `language` is that of the person's pages, empty where they leave it
    to the browser. `device_at` is what the tablet's clock said when it
    sent the request, None where it said nothing.
    """

    workshop_id: uuid.UUID
    now: datetime
    membership_id: uuid.UUID | None = None
    user_id: uuid.UUID | None = None
    roles: frozenset[str] = frozenset()
    scopes: frozenset[str] = frozenset()
    operator_id: uuid.UUID | None = None
    may_approve: bool = False
    language: str = ""
    device_at: datetime | None = None
    token_id: uuid.UUID | None = field(default=None, compare=False)
    session_id: uuid.UUID | None = field(default=None, compare=False)
    tablet_id: uuid.UUID | None = field(default=None, compare=False)
    """The tablet that the call comes from; alone, without a person, it may do next to nothing."""

    @property
    def clock_offset(self) -> timedelta:
        """Server time minus tablet time, to be added to times that the tablet noted."""
        return self.now - self.device_at if self.device_at else timedelta(0)

    @classmethod
    def system(cls, workshop_id: uuid.UUID, now: datetime) -> Actor:
        """The service itself: workers and commands."""
        return cls(workshop_id=workshop_id, now=now, roles=frozenset({SYSTEM_ROLE}))

    # Django and DRF ask these of whatever authentication puts on a request.
    @property
    def is_authenticated(self) -> bool:
        return True

    @property
    def pk(self) -> uuid.UUID | None:
        return self.user_id

"""Once a day, in the morning of the workshop: who is to be told of what changed, is due or overdue.

A round asks for the next one before all else, and for one e-mail a recipient; whatever goes wrong in one of those
holds up nothing else. After days without a worker one round covers them all.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from django.db.models import Q

from fleet import outbox
from fleet.actor import Actor
from fleet.models import Checkpoint, OutboxItem, Workshop

from ..models import DriftAlert, Notice, Reminder, Webhook
from ..selectors.due import DueThing, due_instruments, due_vehicles
from ..selectors.recipients import Recipient, managers, of_all_operators, of_operators, wanting
from .alerts import forecasts_passed
from .webhook_deliveries import CLEAR_KIND

KIND: Final = "reports.daily_round"
ALERTS_KIND: Final = "reports.alerts_email"
CHECKS_KIND: Final = "reports.checks_email"
INSTRUMENTS_KIND: Final = "reports.instruments_email"
CHECKPOINT_KIND: Final = "reports.checkpoint_email"
MORNING: Final = time(6)
SETTLED: Final = timedelta(minutes=5)
"""What was recorded longer ago is committed: no task runs for so long."""


def round_plan(*, actor: Actor, since: datetime) -> None:
    """See that the next round is planned; the invented people of a demo are told of nothing."""
    workshop = Workshop.objects.get()
    planned = OutboxItem.objects.filter(kind=KIND, state=OutboxItem.State.WAITING, due_at__gt=actor.now)
    if not workshop.is_demo and not planned.exists():
        due_at = _next_morning(actor.now, ZoneInfo(workshop.time_zone))
        outbox.append(actor, KIND, {"since": since.isoformat()}, due_at=due_at)


def round_move(*, actor: Actor) -> None:
    """Have the next round come in the morning of where the workshop is now."""
    morning = _next_morning(actor.now, ZoneInfo(Workshop.objects.get().time_zone))
    waiting = OutboxItem.objects.filter(kind=KIND, state=OutboxItem.State.WAITING, due_at__gt=actor.now)
    waiting.update(due_at=morning)


def round_go(*, actor: Actor, since: datetime) -> None:
    """Plan tomorrow's round, and ask for the e-mails of this one."""
    until = max(since, actor.now - SETTLED)
    round_plan(actor=actor, since=until)
    _tell_of_alerts(actor, since, until)
    _tell_of_checks(actor)
    _tell_of_instruments(actor)
    _tell_of_head(actor, since, until)
    if Webhook.objects.exists():
        outbox.append(actor, CLEAR_KIND, {})


def _tell_of_alerts(actor: Actor, since: datetime, until: datetime) -> None:
    opened = Q(opened_at__gt=since, opened_at__lte=until, state=DriftAlert.State.OPEN)
    resolved = Q(resolved_at__gt=since, resolved_at__lte=until)
    passed = Q(pk__in=[alert.pk for alert in forecasts_passed(actor=actor, opened_by=until)])
    changed = DriftAlert.objects.filter(opened | resolved | passed)
    if found := list(changed.values_list("vehicle__operator", flat=True).distinct()):
        asked = {"since": since.isoformat(), "until": until.isoformat(), "at": actor.now.isoformat()}
        _ask(actor, ALERTS_KIND, asked, wanting(Notice.ALERTS, [*managers(), *of_operators(found)]))


def _tell_of_checks(actor: Actor) -> None:
    noted = _noted(actor, due_vehicles(actor.now))
    operators = Reminder.objects.filter(pk__in=noted).values_list("vehicle__operator", flat=True).distinct()
    if found := list(operators):
        told = wanting(Notice.CHECKS, [*managers(), *of_operators(found)])
        _ask(actor, CHECKS_KIND, {"noted_at": actor.now.isoformat()}, told)


def _tell_of_instruments(actor: Actor) -> None:
    if _noted(actor, due_instruments(actor.now)):
        _ask(actor, INSTRUMENTS_KIND, {"noted_at": actor.now.isoformat()}, wanting(Notice.INSTRUMENTS, managers()))


def _tell_of_head(actor: Actor, since: datetime, until: datetime) -> None:
    """The newest head, where something was recorded since the last one that was told of."""
    newest = Checkpoint.objects.filter(made_at__gt=since, made_at__lte=until).order_by("-size").first()
    if newest is not None:
        told = wanting(Notice.CHECKPOINT, [*managers(), *of_all_operators()])
        _ask(actor, CHECKPOINT_KIND, {"size": str(newest.size)}, told)


def _noted(actor: Actor, things: Iterable[DueThing]) -> list[uuid.UUID]:
    """The reminders of what was not noted before."""
    rows = [
        Reminder(
            vehicle_id=each.vehicle,
            instrument_id=each.instrument,
            stage=each.stage,
            done_on=each.done_on,
            due_on=each.due_on,
            due_at_km=each.due_at_km,
            noted_at=actor.now,
        )
        for each in things
        if each.stage is not None
    ]
    Reminder.objects.bulk_create(rows, ignore_conflicts=True, batch_size=1000)
    return list(Reminder.objects.filter(pk__in=[row.pk for row in rows]).values_list("pk", flat=True))


def _ask(actor: Actor, kind: str, payload: dict[str, str], told: Iterable[Recipient]) -> None:
    for recipient in told:
        outbox.append(actor, kind, {**payload, **recipient.reference()})


def _next_morning(now: datetime, zone: ZoneInfo) -> datetime:
    """
    >>> from datetime import UTC
    >>> _next_morning(datetime(2026, 11, 26, 4, tzinfo=UTC), ZoneInfo("Europe/Vienna")).isoformat()
    '2026-11-26T06:00:00+01:00'
    """
    local = now.astimezone(zone)
    morning = datetime.combine(local.date(), MORNING, zone)
    return morning if morning > local else datetime.combine(local.date() + timedelta(days=1), MORNING, zone)

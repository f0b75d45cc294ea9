"""E-mails that come at most once a day: what changed among the alerts, what is due, what is overdue."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Q
from django.utils import timezone
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.looks.dates import day
from fleet.looks.lengths import LengthUnit
from fleet.models import Membership, Workshop
from fleet.selectors.vehicles import sees_whole_workshop

from .alert_words import alert_in_words
from .letters import message_id, send_notice
from .mail import in_language
from .models import DriftAlert, Notice, Reminder
from .selectors.alerts import most_serious_first, visible_alerts
from .selectors.recipients import Recipient

MOST_LINES: Final = 50
"""Of a section; the page has them all."""


def _of_reader(*values: object) -> str:
    return next(each for each in values if isinstance(each, Recipient)).language()


@in_language(_of_reader)
def send_alerts(since: datetime, until: datetime, recipient: Recipient, at: datetime) -> None:
    """The alerts opened and resolved in a stretch of time, of those that the recipient sees, as of a round's time, and
    the earlier ones whose forecast has passed by then. Of one that was opened so the words say it.
    """
    reader = recipient.reader(at)
    if reader is None:
        return
    seen = visible_alerts(reader).order_by("vehicle__vin", "opened_at", "id")
    new = seen.filter(opened_at__gt=since, opened_at__lte=until, state=DriftAlert.State.OPEN)
    opened = sorted(new, key=most_serious_first)  # the rest may be left out
    resolved = list(seen.filter(resolved_at__gt=since, resolved_at__lte=until))
    passed = seen.filter(has_passed=True, passed_told_at=at, opened_at__lte=since)
    if not sees_whole_workshop(reader):  # whoever had it before cannot have it measured
        passed = passed.filter(vehicle__operator=reader.operator_id)
    to_measure = sorted(passed, key=most_serious_first)
    if not opened and not resolved and not to_measure:
        return
    workshop, unit = Workshop.objects.get(), _unit_of(recipient)
    with timezone.override(ZoneInfo(workshop.time_zone)):
        parts = [
            _("What changed at %(workshop)s among the alerts of heights between services.")
            % {"workshop": workshop.name},
            *_section(_("Measure now"), [_alert_line(each, unit) for each in to_measure]),
            *_section(_("Opened"), [_alert_line(each, unit) for each in opened]),
            *_section(_("Resolved"), [_alert_line(each, unit) for each in resolved]),
            _("All alerts:\n%(url)s") % {"url": f"{settings.PUBLIC_URL}/alerts/"},
        ]
    send_notice(
        recipient,
        Notice.ALERTS,
        message_id(f"alerts:{since.isoformat()}:{until.isoformat()}", workshop.pk, recipient.id),
        _counted(len(to_measure), len(opened), len(resolved)),
        _text(parts),
    )


@in_language(_of_reader)
def send_checks(noted_at: datetime, recipient: Recipient, now: datetime) -> None:
    """The height checks that were noted as due or overdue at a time, of the vehicles that are the recipient's."""
    reader = recipient.reader(now)
    if reader is None:
        return
    noted = Reminder.objects.filter(noted_at=noted_at, vehicle__isnull=False).select_related("vehicle")
    if not sees_whole_workshop(reader):
        noted = noted.filter(vehicle__operator=reader.operator_id)
    _send_reminders(
        Notice.CHECKS,
        noted_at,
        recipient,
        list(noted),
        lambda number: ngettext("%(number)s height check is due", "%(number)s height checks are due", number),
        _("Heights change between services. These vehicles are to be checked; that takes one reading a corner."),
        "vehicles",
    )


@in_language(_of_reader)
def send_instruments(noted_at: datetime, recipient: Recipient, now: datetime) -> None:
    """The instruments whose calibration was noted as due or overdue at a time."""
    reader = recipient.reader(now)
    if reader is None or not sees_whole_workshop(reader):
        return
    noted = Reminder.objects.filter(noted_at=noted_at, instrument__isnull=False).select_related("instrument")
    _send_reminders(
        Notice.INSTRUMENTS,
        noted_at,
        recipient,
        list(noted),
        lambda number: ngettext(
            "The calibration of %(number)s instrument is due",
            "The calibration of %(number)s instruments is due",
            number,
        ),
        _("What is measured with an overdue instrument carries a finding, and waits for a manager’s ruling."),
        "instruments",
    )


def _send_reminders(
    kind: Notice,
    noted_at: datetime,
    recipient: Recipient,
    noted: Sequence[Reminder],
    counted: Callable[[int], str],
    why: str,
    page: str,
) -> None:
    if not noted:
        return
    workshop = Workshop.objects.get()
    by_stage = {stage: [each for each in noted if each.stage == stage] for stage in Reminder.Stage}
    parts = [
        why,
        *_section(_("Overdue"), [_due_line(each) for each in by_stage[Reminder.Stage.OVERDUE]]),
        *_section(_("Due soon"), [_due_line(each) for each in by_stage[Reminder.Stage.DUE]]),
        f"{settings.PUBLIC_URL}/{page}/",
    ]
    send_notice(
        recipient,
        kind,
        message_id(f"{kind}:{noted_at.isoformat()}", workshop.pk, recipient.id),
        f"{counted(len(noted)) % {'number': len(noted)}} – {workshop.name}",
        _text(parts),
    )


def _counted(to_measure: int, opened: int, resolved: int) -> str:
    measure = ngettext(
        "%(number)s corner is to be measured now", "%(number)s corners are to be measured now", to_measure
    )
    new = ngettext("%(number)s alert was opened", "%(number)s alerts were opened", opened)
    settled = ngettext("%(number)s was resolved", "%(number)s were resolved", resolved)
    counts = [(measure, to_measure)] if to_measure else []
    if opened or resolved:
        counts += [(new, opened), (settled, resolved)]
    return ", ".join(words % {"number": number} for words, number in counts)


def _section(heading: str, lines: Sequence[str]) -> Iterable[str]:
    if not lines:
        return []
    shown = [f"- {line}" for line in lines[:MOST_LINES]]
    more = len(lines) - len(shown)
    left = [_("and %(number)s more") % {"number": more}] if more else []
    return [f"{heading}:", "\n".join(shown), *left]


def _text(parts: Iterable[str]) -> str:
    return "\n\n".join(parts) + "\n"


def _alert_line(alert: DriftAlert, unit: LengthUnit) -> str:
    sentence = alert_in_words(alert, unit)
    why = f" ({DriftAlert.Resolution(alert.resolution).label})" if alert.resolution else ""
    return f"{alert.vehicle.vin}: {sentence}{why}"


def _due_line(reminder: Reminder) -> str:
    if reminder.instrument is not None:
        values = {"serial": reminder.instrument.serial, "on": day(reminder.due_on)}
        return _("%(serial)s: calibration due on %(on)s") % values
    assert reminder.vehicle is not None  # the table's own rule
    vehicle = reminder.vehicle
    values = {"vin": vehicle.vin, "registration": vehicle.registration or "–", "on": day(reminder.due_on)}
    if reminder.due_at_km is None:
        return _("%(registration)s, VIN %(vin)s: due on %(on)s") % values
    km = number_format(reminder.due_at_km, force_grouping=True)
    return _("%(registration)s, VIN %(vin)s: due at %(km)s km, reached about %(on)s") % {**values, "km": km}


def _unit_of(recipient: Recipient) -> LengthUnit:
    """That of the person, else of the workshop."""
    chosen = Membership.objects.filter(Q(pk=recipient.id) & ~Q(length_unit="")).values_list("length_unit", flat=True)
    return "inch" if (chosen.first() or Workshop.objects.get().length_unit) == "inch" else "mm"

"""What is due: the next height check of each vehicle, the next calibration of each instrument, the earliest first."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from calibration.models import DriftSeries
from fleet.actor import Actor
from fleet.models import Instrument, Vehicle
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission
from fleet.selectors.vehicles import sees_whole_workshop, vehicles_now_of

from ..models import Reminder
from ..selectors.due import DueThing, calibrations, checks

AHEAD: Final = timedelta(days=400)


class DueView(WorkshopPage):
    """`/due/`: of a contact, the vehicles that now are their operator's."""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest) -> HttpResponse:
        until = self.actor.now + AHEAD
        of_vehicles = DriftSeries.objects.filter(vehicle__in=vehicles_now_of(self.actor).order_by())
        part = part_of(request, list(checks(of_vehicles, self.actor.now, until=until)))
        vehicles = Vehicle.objects.in_bulk([each.vehicle for each in part.rows])
        values = {
            "part": part,
            "checks": [{**_row(each), "vehicle": vehicles[each.vehicle]} for each in part.rows],
            "sees_instruments": sees_whole_workshop(self.actor),
            "calibrations": _calibrations(self.actor) if sees_whole_workshop(self.actor) else [],
        }
        return render(request, "reports/pages/due.html", values)


def overdue_instruments(actor: Actor) -> int:
    today = calibrations(actor.now, until=actor.now)
    return sum(each.stage == Reminder.Stage.OVERDUE for each in today)


def _calibrations(actor: Actor) -> list[dict[str, Any]]:
    due = sorted(calibrations(actor.now, until=actor.now + AHEAD), key=lambda each: (each.due_on, str(each.instrument)))
    found = Instrument.objects.in_bulk([each.instrument for each in due])
    return [{**_row(each), "instrument": found[each.instrument]} for each in due if each.instrument]


def _row(due: DueThing) -> dict[str, Any]:
    return {"due": due, "is_overdue": due.stage == Reminder.Stage.OVERDUE}

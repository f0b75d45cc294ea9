"""What is due: what is known of vehicles, then their next height checks; the next calibration of each instrument."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final
from uuid import UUID

from django.db.models import QuerySet
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
from ..selectors.standing import standings_of, with_known
from ..standing_words import standing_shown

AHEAD: Final = timedelta(days=400)


class DueView(WorkshopPage):
    """`/due/`: of a contact, the vehicles that now are their operator's."""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest) -> HttpResponse:
        part = part_of(request, vehicles_to_show(self.actor))
        known = {row.vehicle: row.known for row in part.rows}
        standings = standings_of(self.actor, known)
        vehicles = Vehicle.objects.in_bulk(list(known))
        rows = [
            {
                "due": row.due,
                "vehicle": vehicles[row.vehicle],
                "standing": standing_shown(standings[row.vehicle], self.reader.length_unit, self.reader.time_zone),
            }
            for row in part.rows
        ]
        values = {
            "part": part,
            "known": [row for row in rows if row["standing"]["word"]],
            "checks": [row for row in rows if not row["standing"]["word"]],
            "sees_instruments": sees_whole_workshop(self.actor),
            "calibrations": _calibrations(self.actor) if sees_whole_workshop(self.actor) else [],
        }
        return render(request, "reports/pages/due.html", values)


@dataclass(frozen=True, slots=True)
class DueVehicle:
    """`known` as in `selectors.standing`; `due` is None where no check is due within the time shown."""

    vehicle: UUID
    known: str
    due: DueThing | None


def vehicles_to_show(actor: Actor) -> list[DueVehicle]:
    """What is known to be outside or not done, by registration; then what is merely due, the earliest first."""
    mine = vehicles_now_of(actor).order_by()
    known = dict(with_known(mine, actor).exclude(known="").order_by("registration", "vin").values_list("pk", "known"))
    due = {each.vehicle: each for each in checks(_series_of(mine), actor.now, within=AHEAD) if each.vehicle}
    first = [DueVehicle(vehicle, state, due.get(vehicle)) for vehicle, state in known.items()]
    return first + [DueVehicle(vehicle, "", each) for vehicle, each in due.items() if vehicle not in known]


def _series_of(vehicles: QuerySet[Vehicle]) -> QuerySet[DriftSeries]:
    return DriftSeries.objects.filter(vehicle__in=vehicles)


def overdue_instruments(actor: Actor) -> int:
    today = calibrations(actor.now, within=timedelta())
    return sum(each.stage == Reminder.Stage.OVERDUE for each in today)


def _calibrations(actor: Actor) -> list[dict[str, Any]]:
    due = sorted(calibrations(actor.now, within=AHEAD), key=lambda each: (each.due_on, str(each.instrument)))
    found = Instrument.objects.in_bulk([each.instrument for each in due])
    return [{"due": each, "instrument": found[each.instrument]} for each in due if each.instrument]

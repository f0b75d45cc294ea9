"""Days are those of the workshop's calendar, wherever it is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import services
from fleet.api.workshop import WorkshopView
from fleet.days import first_moment, local_day, workshop_zone
from fleet.errors import Invalid
from fleet.ids import new_id
from fleet.looks.dates import day as day_in_words
from fleet.models import Bay, Instrument, OutboxItem
from fleet.selectors.set_up import set_up_of
from fleet.selectors.vehicle_models import specification_in_force
from fleet.services.vehicle_models import REVISION_KIND
from fleet.tenancy import NoWorkshopError, in_workshop
from tests.elsewhere import ONE_DAY, Place, move, moved, on_both_sides
from tests.factories import SPECIFICATION, TYRE, Site, make_site
from tests.fleet.signin.browsers import browser_of


def add_tape(site: Site, place: Place, calibrated_on: date) -> Instrument:
    return services.instrument_add(
        actor=site.manager.actor(place.now),
        record_id=new_id(),
        serial=f"T-{calibrated_on}",
        kind="tape",
        accuracy_class="II",
        resolution_mm=Decimal(1),
        length_mm=Decimal(3000),
        calibrated_on=calibrated_on,
        calibration_due_on=calibrated_on.replace(year=calibrated_on.year + 2, day=1),
    )


def withdraw(site: Site, place: Place, since: date) -> object:
    actor, tape = site.manager.actor(place.now), site.instrument(calibrated_on=date(2020, 1, 1))
    return services.instrument_withdraw(
        actor=actor, record_id=new_id(), instrument=tape, kind="damaged", since=since, reason="bent"
    )


def fit(site: Site, place: Place, fitted_on: date) -> object:
    return services.fitment_record(
        actor=site.technician.actor(place.now),
        record_id=new_id(),
        vehicle=site.vehicle(),
        fitted_on=fitted_on,
        tyres={corner: dict(TYRE) for corner in ("FL", "FR", "RL", "RR")},
    )


def revised(site: Site, place: Place, day: date, **fields: Any) -> Any:
    return services.specification_add(
        actor=site.manager.actor(place.now - ONE_DAY),
        record_id=new_id(),
        vehicle_model=fields.get("vehicle_model") or site.vehicle_model(),
        specification={**SPECIFICATION, "effective_from": day},
    )


def queries(ask: Callable[[], object]) -> int:
    with CaptureQueriesContext(connection) as captured:
        ask()
    return len(captured)


def survey(site: Site, place: Place, surveyed_on: date) -> object:
    actor, levels = site.manager.actor(place.now), dict.fromkeys(("FL", "FR", "RL", "RR"), 0)
    return services.bay_add(
        actor=actor, record_id=new_id(), name=f"of {surveyed_on}", surveyed_on=surveyed_on, pad_levels_mm=levels
    )


def survey_again(site: Site, place: Place, surveyed_on: date) -> object:
    actor, bay = site.manager.actor(place.now), Bay.objects.first() or site.bay()
    changes = {"surveyed_on": surveyed_on}
    return services.bay_update(actor=actor, bay_id=bay.pk, expected_versions=[bay.version], changes=changes)


@on_both_sides
class TestSteps:
    @pytest.mark.parametrize("step", [add_tape, withdraw, fit, survey, survey_again])
    def test_may_be_of_today_and_not_of_tomorrow(
        self, site: Site, zone: str, step: Callable[[Site, Place, date], object]
    ) -> None:
        place = moved(site, zone)
        with in_workshop(site.workshop.pk):
            step(site, place, place.today)
            with pytest.raises(Invalid, match=f"{zone}.* it is {day_in_words(place.today)}"):
                step(site, place, place.tomorrow)

    def test_an_event_is_told_with_its_day(self, site: Site, zone: str) -> None:
        place, vehicle = moved(site, zone), site.vehicle()
        with in_workshop(site.workshop.pk):
            services.event_record(
                actor=site.technician.actor(place.now),
                record_id=new_id(),
                vehicle=vehicle,
                kind="collision",
                happened_at=place.now,
            )
        told = site.manager.client().get(f"/api/v1/vehicles/{vehicle.vin}/history/").json()["results"][0]
        assert told["summary"] == f"Collision on {day_in_words(place.today)}."

    def test_a_revision_of_today_is_in_force_and_one_of_tomorrow_is_not(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        with in_workshop(site.workshop.pk):
            of_today = revised(site, place, place.today)
            revised(site, place, place.tomorrow, vehicle_model=of_today.vehicle_model)
            assert specification_in_force(of_today.vehicle_model_id, place.now) == of_today

    def test_the_set_up_counts_by_the_same_day(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        for due_on in (place.today, place.yesterday):
            site.instrument(calibrated_on=date(2020, 1, 1), calibration_due_on=due_on)
        with in_workshop(site.workshop.pk):
            before = set_up_of(site.manager.actor(place.now)).specified_models
            revised(site, place, place.today)
            revised(site, place, place.tomorrow)
            found = set_up_of(site.manager.actor(place.now))
        assert (found.instruments_in_use, found.instruments_overdue) == (1, 1)
        assert found.specified_models == before + 1

    def test_a_later_revision_is_noticed_when_its_day_begins_there(self, site: Site, zone: str) -> None:
        place = moved(site, zone)
        with in_workshop(site.workshop.pk):
            model = site.vehicle().vehicle_model
            revised(site, place, place.tomorrow, vehicle_model=model)
            [item] = OutboxItem.objects.filter(kind=REVISION_KIND, payload={"vehicle_model": str(model.pk)})
        assert place.day_of(item.due_at) == place.tomorrow
        assert place.day_of(item.due_at - datetime.resolution) == place.today


def test_in_another_zone_a_later_revision_is_noticed_at_another_time(site: Site) -> None:
    place = moved(site, "Pacific/Auckland")
    with in_workshop(site.workshop.pk):
        model = site.vehicle().vehicle_model
        revised(site, place, place.tomorrow, vehicle_model=model)
        revised(site, place, place.today, vehicle_model=model)
    move(site, "Pacific/Honolulu", place.now)
    with in_workshop(site.workshop.pk):
        found = OutboxItem.objects.filter(kind=REVISION_KIND).order_by("id").values_list("due_at", flat=True)
        there = [first_moment(day) for day in (place.today, place.tomorrow)]
        assert [each for each in found if each in there] == there, "both are still to come there"


class TestZone:
    AT = datetime(2026, 6, 10, 20, tzinfo=UTC)

    def test_is_asked_for_once(self, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            assert queries(lambda: [local_day(self.AT), first_moment(self.AT.date())]) == 1
            with in_workshop(site.workshop.pk):
                assert queries(workshop_zone) == 0

    def test_is_not_asked_for_where_it_came_with_who_calls(self, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
        asked: list[int] = []

        def answer(_view: WorkshopView, _request: Request) -> Response:
            asked.append(queries(workshop_zone))
            return Response({})

        monkeypatch.setattr(WorkshopView, "retrieve", answer)
        for client in (site.manager.client(), browser_of(site.manager)):
            assert client.get("/api/v1/workshop/").status_code == 200
        assert asked == [0, 0]

    def test_is_that_of_each_workshop(self, site: Site) -> None:
        other = make_site()
        move(site, "Pacific/Auckland")
        for each, day in ((site, 11), (other, 10), (site, 11)):
            with in_workshop(each.workshop.pk):
                assert local_day(self.AT) == date(2026, 6, day)

    def test_counts_as_soon_as_it_is_another(self, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            assert local_day(self.AT) == date(2026, 6, 10)
            move(site, "Pacific/Auckland")
            assert local_day(self.AT) == date(2026, 6, 11)

    def test_outside_a_workshop_there_is_none(self) -> None:
        with pytest.raises(NoWorkshopError):
            local_day(self.AT)

    @pytest.mark.parametrize(
        ("zone", "day", "hour"),
        [
            ("America/Havana", date(2026, 3, 8), 5),  # clocks go from 0:00 to 1:00
            ("America/Havana", date(2026, 11, 1), 4),  # 0:00 comes twice
            ("Pacific/Auckland", date(2026, 6, 11), 12 - 24),
        ],
    )
    def test_a_day_begins_with_its_first_moment(self, site: Site, zone: str, day: date, hour: int) -> None:
        move(site, zone)
        with in_workshop(site.workshop.pk):
            begins = first_moment(day)
            assert begins == datetime.combine(day, time.min, UTC) + timedelta(hours=hour)
            assert (local_day(begins), local_day(begins - datetime.resolution)) == (day, day - ONE_DAY)

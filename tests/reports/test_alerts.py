"""Alerts of drift: opened, updated, resolved, acknowledged; by what is recorded and by the sweep."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import override

from calibration.metrology.corners import CORNERS
from calibration.models import DriftRatePrior, DriftSeries, DriftState
from calibration.services.jobs import job_refile
from calibration.services.rounds import reading_strike
from fleet.actor import Actor
from fleet.errors import Conflict
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Vehicle
from fleet.services import event_record, fitment_record, vehicle_update
from fleet.tenancy import in_workshop
from reports.alert_words import alert_sentence
from reports.models import DriftAlert
from reports.services import alerts, sweep
from tests.factories import SPECIFICATION, TYRE, Site

from . import drifting, jobs

Perform = Callable[[Site], list[str]]


def all_alerts(site: Site, **wanted: Any) -> list[DriftAlert]:
    with in_workshop(site.workshop.pk):
        return list(DriftAlert.objects.filter(**wanted).order_by("opened_at", "id"))


def shown(site: Site, **wanted: Any) -> list[tuple[str, str, str]]:
    return [(each.kind, each.place, each.state) for each in all_alerts(site, **wanted)]


def ledger_kinds(site: Site, vehicle: Vehicle) -> list[str]:
    with in_workshop(site.workshop.pk):
        entries = LedgerEntry.objects.filter(book=vehicle.pk, kind__startswith="alert_").order_by("sequence")
        return list(entries.values_list("kind", flat=True))


def sweep_now(site: Site, *, days: float = 0, most: int = 100) -> None:
    actor = Actor.system(site.workshop.pk, timezone.now() + timedelta(days=days))
    after: uuid.UUID | None = None
    while True:
        with in_workshop(site.workshop.pk):
            after = alerts.fleet_sweep(actor=actor, after=after, most=most)
        if after is None:
            return


@pytest.fixture
def outside(site: Site, perform_all: Perform) -> Vehicle:
    """A height check found the front left corner 14 mm too low."""
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=0.5, instrument=site.instrument(), FL=472)
    perform_all(site)
    return vehicle


class TestLife:
    def test_a_check_outside_opens_one_and_the_ledger_says_so(self, site: Site, outside: Vehicle) -> None:
        assert shown(site, kind="out_of_tolerance") == [("out_of_tolerance", "FL", "open")]
        assert shown(site, kind="uneven") == [("uneven", "front", "open")]
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        assert alert.details["last_mm"] == -14.0
        assert ledger_kinds(site, outside) == ["alert_opened"] * 2

    def test_it_is_updated_not_multiplied(self, site: Site, outside: Vehicle, perform_all: Perform) -> None:
        drifting.checked(site, outside, days_ago=0.1, FL=471)
        perform_all(site)
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        assert (alert.details["last_mm"], alert.version) == (-15.0, 2)
        assert alert.updated_at > alert.opened_at
        assert ledger_kinds(site, outside) == ["alert_opened"] * 2

    def test_a_job_that_puts_it_right_resolves_it_and_is_named(
        self, site: Site, outside: Vehicle, perform_all: Perform
    ) -> None:
        bench = jobs.Bench.at(site, vehicle=outside)
        bench.now = timezone.now() - timedelta(minutes=30)
        before = all_alerts(site, kind="out_of_tolerance")[0]
        bench.receive()
        bench.check_readiness()
        bench.measure(jobs.LOW_FRONT_LEFT)
        perform_all(site)
        assert shown(site, kind="out_of_tolerance") == [("out_of_tolerance", "FL", "open")]
        assert all_alerts(site, kind="out_of_tolerance")[0].version == before.version, "it rests while in the bay"
        proposal = bench.propose()
        bench.write(proposal, proposal.to_setpoints)
        bench.measure(jobs.WITHIN)
        with in_workshop(site.workshop.pk):
            DriftAlert.objects.update(opened_at=bench.now - timedelta(hours=1))
        bench.sign_off()
        perform_all(site)
        assert {each.state for each in all_alerts(site)} == {"resolved"}
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        assert (alert.resolution, alert.resolved_by_job_id) == ("put_right", bench.job_id)
        assert ledger_kinds(site, outside) == ["alert_opened"] * 2 + ["alert_resolved"] * 2

    def test_a_quiet_check_alone_does_not(self, site: Site, outside: Vehicle, perform_all: Perform) -> None:
        for hours in (3, 2, 1):
            drifting.checked(site, outside, days_ago=hours / 24)
        perform_all(site)
        assert ("out_of_tolerance", "FL", "open") in shown(site)

    def test_a_repair_resolves_it_without_a_job(self, site: Site, outside: Vehicle, perform_all: Perform) -> None:
        now = timezone.now()
        with in_workshop(site.workshop.pk):
            event_record(
                actor=site.technician.actor(now),
                record_id=new_id(),
                vehicle=outside,
                kind="spring_replaced",
                corner="FL",
                happened_at=now,
            )
        perform_all(site)
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        assert (alert.state, alert.resolution, alert.resolved_by_job_id) == ("resolved", "put_right", None)

    def test_a_struck_reading_resolves_what_rested_on_it(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.ended(site)
        perform_all(site)
        assert ("out_of_tolerance", "FL", "open") in shown(site)
        with in_workshop(site.workshop.pk):
            for reading in bench.case().rounds[0].reading_rows[:2]:  # type: ignore[attr-defined]
                reading_strike(
                    actor=site.manager.actor(),
                    record_id=new_id(),
                    reading_id=reading.pk,
                    reason="read at another mark",
                    replacement={"height_mm": 486},
                )
        perform_all(site)
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        assert (alert.state, alert.resolution) == ("resolved", "record_revised")

    def test_a_job_refiled_takes_its_alerts_along(self, site: Site, perform_all: Perform) -> None:
        bench, other = jobs.ended(site), site.vehicle()
        perform_all(site)
        with in_workshop(site.workshop.pk):
            job_refile(
                actor=site.manager.actor(),
                record_id=new_id(),
                job_id=bench.job_id,
                vehicle=other,
                reason="the van beside it",
            )
        perform_all(site)
        assert {each.resolution for each in all_alerts(site, vehicle=bench.vehicle)} == {"record_revised"}
        assert ("out_of_tolerance", "FL", "open") in shown(site, vehicle=other)

    def test_a_corner_that_sinks_is_warned_of(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.sinking(site, vehicle, site.instrument())
        perform_all(site)
        (alert,) = all_alerts(site, kind="trend", place="FL")
        assert alert.details["rate_mm_per_year"] == pytest.approx(-4.9, abs=1.5)
        assert alert.details["expected_outside_day"] > alert.details["measured_day"]

    def test_nothing_is_forecast_any_more_of_a_corner_that_has_left_its_tolerance(
        self, site: Site, perform_all: Perform
    ) -> None:
        vehicle, tape = site.vehicle(), site.instrument()
        drifting.sinking(site, vehicle, tape)
        perform_all(site)
        assert shown(site, kind="trend") == [("trend", "FL", "open")]
        drifting.checked(site, vehicle, days_ago=0.5, instrument=tape, FL=472)
        perform_all(site)
        assert shown(site, kind="out_of_tolerance") == [("out_of_tolerance", "FL", "open")]
        (trend,) = all_alerts(site, kind="trend")
        assert (trend.state, trend.resolution) == ("resolved", "overtaken")
        drifting.checked(site, vehicle, days_ago=0.1, instrument=tape, FL=481)
        perform_all(site)
        assert [each.state for each in all_alerts(site, kind="trend")] == ["resolved"], "not told of anew"


class TestEvaluation:
    def test_repeated_it_changes_nothing(self, site: Site, outside: Vehicle) -> None:
        actor = Actor.system(site.workshop.pk, timezone.now())
        with in_workshop(site.workshop.pk):
            before = repr(DriftAlert.objects.order_by("id").values())
            alerts.vehicle_evaluate(actor=actor, vehicle_id=outside.pk)
            assert repr(DriftAlert.objects.order_by("id").values()) == before
        assert ledger_kinds(site, outside) == ["alert_opened"] * 2

    def test_of_a_vehicle_that_is_gone_it_does_nothing(self, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            alerts.vehicle_evaluate(actor=Actor.system(site.workshop.pk, timezone.now()), vehicle_id=new_id())
        assert all_alerts(site) == []


class TestSweep:
    def test_it_finds_what_is_overdue_and_a_check_resolves_it(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=0.9)
        perform_all(site)
        sweep_now(site, days=200)
        assert shown(site) == [], "a little late is no alert"
        sweep_now(site, days=250)
        assert shown(site) == [("overdue", "", "open")]
        sweep_now(site, days=251)
        assert all_alerts(site)[0].version == 1, "the same matter a day later"
        with in_workshop(site.workshop.pk):
            DriftSeries.objects.update(due_day=99999.0)  # as a check would
        sweep_now(site, days=252)
        assert [(each.state, each.resolution) for each in all_alerts(site)] == [("resolved", "checked")]

    def test_a_check_is_overdue_by_the_distance_gone(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=40, odometer_km=30_000)
        drifting.checked(site, vehicle, days_ago=10, odometer_km=45_000)
        perform_all(site)
        sweep_now(site, days=42)
        assert shown(site) == [], "the check is due in 30 days, and may be 13 days late"
        sweep_now(site, days=44)
        assert shown(site) == [("overdue", "", "open")]
        (alert,) = all_alerts(site)
        assert alert.details["due_at_km"] == 65_000
        with in_workshop(site.workshop.pk):
            sentence = alert_sentence(alert.kind, alert.place, alert.details)
            assert sentence.startswith("The height check was due at 65\u202f000 km, reached about ")
            assert "by an estimate from the last two odometer readings" in sentence
            with override("de"):
                assert "bei 65\u202f000 km fällig" in alert_sentence(alert.kind, alert.place, alert.details)

    def test_tyres_fitted_say_how_far_a_vehicle_went(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=40, odometer_km=30_000)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            assert DriftSeries.objects.get().distance_due_day == float("inf"), "one reading says nothing"
            now = timezone.now()
            fitment_record(
                actor=site.technician.actor(now),
                record_id=new_id(),
                vehicle=vehicle,
                fitted_on=(now - timedelta(days=10)).date(),
                tyres=dict.fromkeys(CORNERS, TYRE),
                odometer_km=Decimal(45_000),
            )
        perform_all(site)
        with in_workshop(site.workshop.pk):
            assert DriftSeries.objects.get().due_at_km == 50_000

    def test_another_model_resolves_what_is_not_the_matter_with_it(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        front = {**SPECIFICATION["front"], "target_mm": 472}
        revision = site.specification(front=front)
        drifting.checked(site, vehicle, days_ago=0.5, instrument=site.instrument(), FL=472, FR=472)
        perform_all(site)
        assert {each.kind for each in all_alerts(site, state="open")} == {"out_of_tolerance"}
        with in_workshop(site.workshop.pk):
            vehicle_update(
                actor=site.manager.actor(timezone.now()),
                vehicle_id=vehicle.pk,
                expected_versions=[vehicle.version],
                changes={"vehicle_model": revision.vehicle_model_id},
            )
        perform_all(site)
        assert {(each.state, each.resolution) for each in all_alerts(site)} == {("resolved", "record_revised")}

    @pytest.mark.parametrize("most", [1, 2, 100])
    def test_it_goes_through_all_in_pieces(self, site: Site, perform_all: Perform, most: int) -> None:
        vehicles = [site.vehicle() for _ in range(3)]
        for vehicle in vehicles:
            drifting.checked(site, vehicle, days_ago=0.9)
        perform_all(site)
        sweep_now(site, days=300, most=most)
        sweep_now(site, days=300, most=most)
        assert {each.vehicle_id for each in all_alerts(site, kind="overdue")} == {each.pk for each in vehicles}
        assert len(all_alerts(site)) == 3

    def test_it_reads_states_and_no_history(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=0.9)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            DriftState.objects.filter(corner="RR").update(level=30.0, last_mm=30.0)
        sweep_now(site)
        assert ("out_of_tolerance", "RR", "open") in shown(site)

    def test_a_vehicle_in_the_bay_is_left_alone(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.Bench.at(site)
        drifting.checked(site, bench.vehicle, days_ago=0.9)
        bench.receive()
        perform_all(site)
        sweep_now(site, days=300)
        assert all_alerts(site) == []

    def test_it_is_planned_once_and_plans_itself(self, site: Site, outside: Vehicle, perform_all: Perform) -> None:
        def planned() -> list[OutboxItem]:
            with in_workshop(site.workshop.pk):
                return list(OutboxItem.objects.filter(kind=sweep.KIND, state="waiting"))

        (first,) = planned()
        assert first.due_at > timezone.now() + timedelta(hours=23)
        with in_workshop(site.workshop.pk):
            OutboxItem.objects.filter(pk=first.pk).update(due_at=timezone.now())
        assert perform_all(site) == [sweep.KIND]
        (second,) = planned()
        assert second.pk != first.pk
        assert second.due_at > timezone.now() + timedelta(hours=23)

    def test_pieces_ask_for_the_next(self, site: Site, perform_all: Perform, monkeypatch: pytest.MonkeyPatch) -> None:
        for _ in range(3):
            drifting.checked(site, site.vehicle(), days_ago=0.9)
        perform_all(site)
        monkeypatch.setattr(alerts.fleet_sweep, "__kwdefaults__", {"most": 2})
        with in_workshop(site.workshop.pk):
            OutboxItem.objects.filter(kind=sweep.KIND).update(due_at=timezone.now())
        assert perform_all(site) == [sweep.KIND] * 2

    def test_it_learns_how_fast_a_models_corners_drift(self, site: Site, perform_all: Perform) -> None:
        model, tape = site.specification().vehicle_model, site.instrument()
        for _ in range(4):
            vehicle = site.vehicle(vehicle_model=model)
            for number in range(7):
                low: dict[str, Any] = {corner: height - 1.2 * number for corner, height in drifting.HEIGHTS.items()}
                drifting.checked(site, vehicle, days_ago=380 - 60 * number, instrument=tape, **low)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            OutboxItem.objects.filter(kind=sweep.KIND).update(due_at=timezone.now())
        perform_all(site)
        with in_workshop(site.workshop.pk):
            learned = DriftRatePrior.objects.get()
            assert learned.vehicle_model == model
            assert (learned.mean < -2, learned.corners) == (True, 16)
            OutboxItem.objects.filter(kind=sweep.KIND, state="waiting").update(due_at=timezone.now())
        perform_all(site)
        with in_workshop(site.workshop.pk):
            assert DriftRatePrior.objects.count() == 1, "nothing new was learned"


class TestAcknowledgement:
    def acknowledge(self, site: Site, alert: DriftAlert, note: str = "Booked in for Tuesday.") -> DriftAlert:
        with in_workshop(site.workshop.pk):
            return alerts.alert_acknowledge(
                actor=site.technician.actor(), record_id=new_id(), alert_id=alert.pk, note=note
            )

    def test_it_is_kept_with_who_and_when_and_the_alert_stays_open(self, site: Site, outside: Vehicle) -> None:
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        self.acknowledge(site, alert)
        (kept,) = all_alerts(site, kind="out_of_tolerance")
        assert (kept.state, kept.note) == ("open", "Booked in for Tuesday.")
        assert kept.acknowledged_by == site.technician.membership.pk
        assert ledger_kinds(site, outside)[-1] == "alert_acknowledged"

    def test_twice_is_refused(self, site: Site, outside: Vehicle) -> None:
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        self.acknowledge(site, alert)
        with pytest.raises(Conflict, match="acknowledged already"):
            self.acknowledge(site, alert, "Something else.")

    def test_of_a_resolved_one_too(self, site: Site, outside: Vehicle) -> None:
        (alert,) = all_alerts(site, kind="out_of_tolerance")
        with in_workshop(site.workshop.pk):
            DriftAlert.objects.update(state="resolved", resolution="put_right", resolved_at=timezone.now())
        with pytest.raises(Conflict, match="resolved"):
            self.acknowledge(site, alert)


@pytest.mark.parametrize(
    ("changes", "constraint"),
    [
        ({}, "reports_driftalert_one_open"),
        ({"place": "front"}, "reports_driftalert_place"),
        ({"kind": "uneven"}, "reports_driftalert_place"),
        ({"kind": "overdue"}, "reports_driftalert_place"),
        ({"state": "resolved"}, "reports_driftalert_resolved_with_time"),
        ({"place": "FR", "resolution": "put_right"}, "reports_driftalert_resolved_with_time"),
        ({"place": "FR", "note": "seen"}, "reports_driftalert_acknowledged_with_note"),
        ({"place": "FR", "acknowledged_at": timezone.now()}, "reports_driftalert_acknowledged_with_note"),
    ],
)
def test_the_database_is_the_last_guard(site: Site, outside: Vehicle, changes: dict[str, Any], constraint: str) -> None:
    (alert,) = all_alerts(site, kind="out_of_tolerance")
    alert.pk = new_id()
    for name, value in changes.items():
        setattr(alert, name, value)
    with pytest.raises(IntegrityError, match=constraint), in_workshop(site.workshop.pk), transaction.atomic():
        alert.save(force_insert=True)

"""Runs of imports: trials, all or nothing, cancelled ones, whose they are, and how long files are kept."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from calibration.models import HeightCheck, HeightCheckReading
from fleet import outbox
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Vehicle
from fleet.tenancy import in_workshop
from reports.models import Import, ImportFile, ImportFilePart, RowProblem
from reports.services.import_running import import_file_remove
from tests.factories import Site, make_site

from .imports import (
    IMPORTS,
    begun,
    carry_out,
    check_row,
    codes,
    counts,
    csv_of,
    days,
    imported,
    send,
    vehicle_rows,
    xlsx_of,
)


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


class TestTrial:
    def test_says_the_same_and_keeps_nothing(self, site: Site, vehicle: Vehicle) -> None:
        key = str(new_id())
        rows = [
            check_row(vehicle.vin, id=""),
            check_row("X", id=""),
            check_row(vehicle.vin, "2025-07-01T08:00:00Z", id=key),
            *(check_row(vehicle.vin, f"2024-01-{1 + n % 28:02}T{n // 28:02}:00:00Z", id="") for n in range(600)),
            check_row(vehicle.vin, id=key),
        ]
        with in_workshop(site.workshop.pk):
            before = LedgerEntry.objects.filter(vehicle=vehicle).count()
        trial = imported(site, csv_of(rows), dry_run="true")

        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 0
        assert LedgerEntry.objects.filter(vehicle=vehicle).count() == before
        earnest = imported(site, csv_of(rows))
        assert codes(trial) == codes(earnest) == [(3, "vin", "vin_length"), (605, "id", "id_reused")]
        assert counts(trial) == counts(earnest)


class TestAllOrNothing:
    def test_records_nothing_where_a_row_is_refused(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([*days(vehicle.vin, 3), check_row("X")]), atomic="true")

        assert (found["state"], found["failure"]["code"], found["accepted"]) == ("failed", "rows_rejected", 0)
        assert codes(found) == [(5, "vin", "vin_length")]
        assert not HeightCheck.objects.filter(vehicle=vehicle).exists()

    def test_records_all_at_once(self, site: Site, vehicle: Vehicle) -> None:
        key = begun(site, csv_of(days(vehicle.vin, 300) + days(vehicle.vin, 300, odometer_km=5)), atomic="true")
        seen = []
        while (run := Import.objects.get(pk=key)).finished_at is None:
            (item,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
            assert outbox.perform(site.workshop.pk, item.pk)
            seen.append((run.phase, HeightCheck.objects.filter(vehicle=vehicle).count()))
        assert [count for _phase, count in seen[:-1]] == [0] * (len(seen) - 1)
        assert seen[-1] == ("recording", 600)
        assert (run.state, run.accepted) == ("done", 600)

    def test_what_changed_since_the_check_takes_all_of_it_back(self, site: Site) -> None:
        rows = vehicle_rows(site, 3)
        key = begun(site, csv_of(rows), kind="vehicles", atomic="true")
        (item,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
        assert outbox.perform(site.workshop.pk, item.pk)
        (waiting,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
        second = begun(site, csv_of([{**rows[2], "registration": "other"}]), kind="vehicles")
        (other,) = OutboxItem.objects.filter(payload={"import": second}, state="waiting")
        for each in (other, waiting):
            assert outbox.perform(site.workshop.pk, each.pk)

        run = Import.objects.get(pk=key)
        assert (run.state, run.accepted) == ("failed", 0)
        assert not Vehicle.objects.filter(vin=rows[0]["vin"]).exists()

    def test_takes_a_limited_number_of_rows(self, site: Site, vehicle: Vehicle, settings: Any) -> None:
        settings.IMPORT_MOST_ATOMIC_ROWS = 2
        answer = send(site.manager, csv_of(days(vehicle.vin, 3)), atomic="true")
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "too_many_for_atomic")
        found = imported(site, xlsx_of(days(vehicle.vin, 3)), atomic="true")
        assert (found["state"], found["failure"]["code"]) == ("failed", "too_many_for_atomic")


class TestRuns:
    def test_sent_twice_with_its_id_it_is_one(self, site: Site, vehicle: Vehicle) -> None:
        content, key = csv_of([check_row(vehicle.vin)]), str(new_id())
        first = send(site.manager, content, id=key)
        again = send(site.manager, content, id=key)
        other = send(site.manager, content + b"\n", id=key)

        assert (first.status_code, again.status_code, other.status_code) == (202, 200, 409)
        assert first.json()["id"] == again.json()["id"] == key
        assert Import.objects.count() == 1

    def test_may_be_cancelled_and_keep_what_they_recorded(self, site: Site, vehicle: Vehicle) -> None:
        key = begun(
            site, csv_of([check_row(vehicle.vin, f"2024-01-{1 + n % 28:02}T{n // 28:02}:00:00Z") for n in range(600)])
        )
        (item,) = OutboxItem.objects.filter(kind="reports.import_go_on", state="waiting")
        assert outbox.perform(site.workshop.pk, item.pk)
        path = f"{IMPORTS}{key}/cancellation/"
        answer = site.manager.client().post(path, {})
        carry_out(site)

        assert (answer.status_code, answer.json()["state"], answer.json()["accepted"]) == (200, "cancelled", 500)
        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 500
        assert OutboxItem.objects.filter(
            kind="calibration.drift_changed", payload={"vehicle": str(vehicle.pk)}
        ).exists()
        assert site.manager.client().post(path, {}).status_code == 200

    def test_that_have_ended_cannot_be_cancelled(self, site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row(vehicle.vin)]))
        assert site.manager.client().post(f"{IMPORTS}{found['id']}/cancellation/", {}).status_code == 409

    def test_of_somebody_who_is_no_manager_any_more_fail(self, site: Site, vehicle: Vehicle) -> None:
        other = site.person("manager")
        answer = send(other, csv_of([check_row(vehicle.vin)]))
        other.membership.roles = ["technician"]
        other.membership.save(update_fields=["roles"])
        carry_out(site)

        run = Import.objects.get(pk=answer.json()["id"])
        assert (run.state, (run.failure or {})["code"]) == ("failed", "role_missing")

    def test_are_of_managers_of_the_workshop_alone(self, site: Site, other_site: Site, vehicle: Vehicle) -> None:
        found = imported(site, csv_of([check_row(vehicle.vin)]))
        for role in ("technician", "auditor"):
            client = site.person(role).client()
            assert client.get(IMPORTS).status_code == 403
            assert client.get(f"{IMPORTS}{found['id']}/").status_code in (403, 404)
            assert send(site.person(role), b"x").status_code == 403
        stranger = other_site.manager.client()
        assert stranger.get(f"{IMPORTS}{found['id']}/").status_code == 404
        assert stranger.get(f"{IMPORTS}{found['id']}/errors/").status_code == 404
        assert stranger.post(f"{IMPORTS}{found['id']}/cancellation/", {}).status_code == 404
        assert stranger.get(IMPORTS).json()["results"] == []

    def test_files_are_removed_after_some_days(self, site: Site, vehicle: Vehicle) -> None:
        imported(site, csv_of([check_row(vehicle.vin)]))
        file = ImportFile.objects.get()
        for _twice in range(2):
            import_file_remove(actor=site.manager.actor(timezone.now()), file_id=file.pk)

        file.refresh_from_db()
        assert file.removed_at is not None
        assert not ImportFilePart.objects.exists()

    def test_another_workshops_vehicle_is_none(self, site: Site) -> None:
        stranger = make_site().vehicle()
        assert codes(imported(site, csv_of([check_row(stranger.vin)]))) == [(2, "vin", "unknown_vehicle")]
        assert RowProblem.objects.count() == 1
        assert not HeightCheckReading.objects.filter(height_check__vehicle=stranger.pk).exists()

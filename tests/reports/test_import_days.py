"""Imported checks of which only the day was noted, and what is said of the file as a whole."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone

from calibration.models import HeightCheck
from fleet import outbox
from fleet.models import LedgerEntry, Vehicle
from reports.models import Import
from reports.services import import_running
from tests.factories import Site

from .imports import (
    begun,
    carry_out,
    check_row,
    codes,
    counts,
    csv_of,
    due_items,
    german_row,
    imported,
    send,
    set_zone,
)


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


class TestDays:
    """Checks of which only the day was noted."""

    def days_alone(self, site: Site, vehicle: Vehicle, day: Any = "2025-07-04", **fields: Any) -> dict[str, Any]:
        fields = {"loading": "as_specified", "time_of_day": "12:00", "time_zone": "Europe/Berlin", **fields}
        return imported(site, csv_of([german_row(vehicle.vin, day)]), **fields)

    def test_say_that_their_time_was_assumed(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle)

        assert counts(found) == ("done", 1, 1, 0, 0), found
        assert found["assumptions"] == {"time_of_day": "12:00", "loading": "as_specified"}
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert check.taken_at == datetime(2025, 7, 4, 10, tzinfo=UTC)
        told = site.manager.client().get(f"/api/v1/checks/{check.pk}/").json()["findings"]
        (finding,) = (each for each in told if each["code"] == "time_assumed")
        assert finding["severity"] == "note"
        assert "12:00 (Europe/Berlin)" in finding["detail"]
        entry = LedgerEntry.objects.get(vehicle=vehicle, kind="height_checks_imported")
        (row,) = entry.payload["rows"]["calibration.heightcheck"]
        assert row["findings"][0]["values"]["day_on"] == "2025-07-04"

    def test_without_a_time_of_day_are_refused(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle, time_of_day="")
        assert codes(found) == [(2, "taken_at", "time_of_day_missing")]

    def test_with_a_year_of_two_digits_are_refused_by_row_with_what_to_do(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle, "04.07.25", day_order="day_first")
        assert codes(found) == [(2, "taken_at", "two_digit_year")]
        (error,) = found["errors"]
        assert error["detail"].startswith(
            "Line 2, column “Datum” (date and time of the check): “04.07.25” has a year of "
        )
        assert error["detail"].endswith("Write the year with all four digits, like 2026-05-04 or 04.05.2026.")
        assert not HeightCheck.objects.exists()

    def test_are_in_the_workshops_zone_where_none_is_chosen(self, site: Site, vehicle: Vehicle) -> None:
        set_zone(site, "America/New_York")
        self.days_alone(site, vehicle, time_zone="")
        assert HeightCheck.objects.get(vehicle=vehicle).taken_at == datetime(2025, 7, 4, 16, tzinfo=UTC)

    def test_are_in_one_zone_though_the_workshop_gets_another_under_way(
        self, site: Site, vehicle: Vehicle, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Also after a trial, and in an import with the settings of an earlier one."""
        monkeypatch.setattr(import_running, "PIECE_ROWS", 1)
        rows = [german_row(vehicle.vin, day) for day in ("2025-07-03", "2025-07-04", "2025-07-05")]
        set_zone(site, "America/New_York")
        key = begun(site, csv_of(rows), loading="as_specified", time_of_day="12:00")
        for zone in ("Asia/Tokyo", "Europe/Berlin"):
            (piece,) = due_items(site)
            assert outbox.perform(site.workshop.pk, piece.pk)
            set_zone(site, zone)
        carry_out(site)

        def hours() -> list[int]:
            return [each.taken_at.hour for each in HeightCheck.objects.filter(vehicle=vehicle).order_by("taken_at")]

        assert hours() == [16, 16, 16]
        told = site.manager.client().get(f"/api/v1/imports/{key}/").json()
        assert (told["time_zone"], told["assumptions"]["zone_of_days"]) == ("", "America/New_York")
        more = csv_of([german_row(vehicle.vin, "2025-07-06")])
        assert imported(site, more, settings_of=key)["assumptions"] == told["assumptions"]
        assert hours() == [16, 16, 16, 16]

    def test_are_in_the_zone_that_is_named_whatever_was_settled_before(self, site: Site, vehicle: Vehicle) -> None:
        set_zone(site, "America/New_York")
        first = self.days_alone(site, vehicle, time_zone="")
        content = csv_of([german_row(vehicle.vin, "2025-07-05")])
        again = imported(site, content, settings_of=first["id"], time_zone="Europe/Berlin")
        assert again["assumptions"] == {"time_of_day": "12:00", "loading": "as_specified"}
        assert HeightCheck.objects.get(vehicle=vehicle, taken_at__day=5).taken_at.hour == 10

    def test_of_an_import_from_before_zones_were_settled_are_in_the_workshops(
        self, site: Site, vehicle: Vehicle
    ) -> None:
        set_zone(site, "America/New_York")
        key = begun(site, csv_of([german_row(vehicle.vin, "2025-07-04")]), loading="as_specified", time_of_day="12:00")
        Import.objects.filter(pk=key).update(assumptions={"time_of_day": "12:00", "loading": "as_specified"})
        carry_out(site)
        assert HeightCheck.objects.get(vehicle=vehicle).taken_at.hour == 16

    def test_are_known_again_whatever_time_is_assumed(self, site: Site, vehicle: Vehicle) -> None:
        first, again = self.days_alone(site, vehicle), self.days_alone(site, vehicle, time_of_day="09:00")
        assert (counts(first)[3], counts(again)[3]) == (0, 1)
        assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1

    def test_a_time_that_was_noted_is_not_called_assumed(self, site: Site, vehicle: Vehicle) -> None:
        self.days_alone(site, vehicle, "2025-07-04 09:30")
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert (check.taken_at.hour, [each["code"] for each in check.findings]) == (7, [])

    def test_a_time_of_day_in_a_column_of_its_own_is_taken(self, site: Site, vehicle: Vehicle) -> None:
        rows = [
            {**german_row(vehicle.vin, f"0{n}.07.2025"), "Uhrzeit": at} for n, at in ((1, "9:15"), (2, ""), (3, "x"))
        ]
        fields = {"loading": "as_specified", "time_of_day": "12:00", "time_zone": "Europe/Berlin"}
        found = imported(site, csv_of(rows), **fields)

        assert codes(found) == [(4, "clock", "not_a_time_of_day")]
        noted, assumed = HeightCheck.objects.filter(vehicle=vehicle).order_by("taken_at")
        assert noted.taken_at == datetime(2025, 7, 1, 7, 15, tzinfo=UTC)
        assert [[each["code"] for each in check.findings] for check in (noted, assumed)] == [[], ["time_assumed"]]

    def test_a_day_in_a_column_without_a_heading_means_nothing(self, site: Site, vehicle: Vehicle) -> None:
        row = {"Datum": "2025-07-01", "": "2025-07-02", **german_row(vehicle.vin, "2025-07-01")}
        found = imported(site, csv_of([row]), loading="as_specified", time_of_day="12:00", time_zone="Europe/Berlin")
        assert counts(found) == ("done", 1, 1, 0, 0)

    def test_a_day_with_another_time_than_its_clock_is_refused(self, site: Site, vehicle: Vehicle) -> None:
        """As a spreadsheet writes a day that it shows with a time: its midnight."""
        days = ("01.07.2025 00:00:00", "02.07.2025 9:15:20", "03.07.2025")
        rows = [{**german_row(vehicle.vin, day), "Uhrzeit": "9:15"} for day in days]
        found = imported(site, csv_of(rows, ";"), time_zone="Europe/Berlin", loading="other")
        assert codes(found) == [(2, "clock", "two_times")]
        assert found["accepted"] == 2
        assert "has the time 00:00. Leave the time in one of the two." in found["errors"][0]["detail"]

    def test_today_is_no_wrong_clock(self, site: Site, vehicle: Vehicle) -> None:
        self.days_alone(site, vehicle, timezone.now().date().isoformat(), time_of_day="23:59", time_zone="UTC")
        check = HeightCheck.objects.get(vehicle=vehicle)
        assert [each["code"] for each in check.findings] == ["time_assumed"]
        assert check.happened_at <= check.received_at

    def test_tomorrow_is_refused(self, site: Site, vehicle: Vehicle) -> None:
        tomorrow = (timezone.now() + timedelta(days=1)).date().isoformat()
        found = self.days_alone(site, vehicle, tomorrow, time_of_day="00:00", time_zone="UTC")
        assert codes(found) == [(2, "taken_at", "still_to_come")]
        assert not HeightCheck.objects.filter(vehicle=vehicle).exists()

    @pytest.mark.parametrize(("order", "month"), [("day_first", 5), ("month_first", 3)])
    def test_slashes_are_read_in_the_order_that_was_said(
        self, site: Site, vehicle: Vehicle, order: str, month: int
    ) -> None:
        assert codes(self.days_alone(site, vehicle, "03/05/2024")) == [(2, "taken_at", "day_or_month_first")]
        self.days_alone(site, vehicle, "03/05/2024", day_order=order)
        assert HeightCheck.objects.get(vehicle=vehicle).taken_at.month == month

    def test_the_import_tells_the_ledger_what_was_assumed(self, site: Site, vehicle: Vehicle) -> None:
        found = self.days_alone(site, vehicle)
        entry = LedgerEntry.objects.get(kind="import_ended", record_id=found["id"])
        assert entry.payload["facts"]["assumptions"]["time_of_day"] == "12:00"

    @pytest.mark.parametrize(
        ("fields", "code"),
        [
            ({"time_of_day": "noon"}, "not_a_time_of_day"),
            ({"time_of_day": "24:00"}, "not_a_time_of_day"),
            ({"day_order": "dmy"}, "not_allowed"),
            ({"loading": "full"}, "not_allowed"),
        ],
    )
    def test_what_is_said_is_checked(self, site: Site, fields: dict[str, str], code: str) -> None:
        answer = send(site.manager, csv_of([check_row("X")]), **fields)
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, code)

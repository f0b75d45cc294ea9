"""Imports over HTTP: what is recorded, refused, known; who may; and that all formats say the same."""

from __future__ import annotations

from tests.factories import Site

from .imports import check_row, csv_of, imported


def test_a_file_of_checks_is_recorded(site: Site) -> None:
    vehicle = site.vehicle()
    found = imported(site, csv_of([check_row(vehicle.vin), check_row(vehicle.vin, "2025-06-04T09:30:00+02:00")]))

    assert (found["state"], found["rows"], found["accepted"], found["rejected"]) == ("done", 2, 2, 0), found

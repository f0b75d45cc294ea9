"""The bench app around the job: enrolment, PIN, finding vehicles, opening a job, what is on the tablet only."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.bench.bay import TabletInBay


def test_a_job_is_opened_from_the_vehicles_page(tablet: TabletInBay) -> None:
    vehicle = tablet.bay.vehicle
    tablet.page.get_by_label("Find a vehicle").fill(vehicle.vin[-6:])
    tablet.page.get_by_role("link", name=vehicle.registration).click()
    tablet.press("Open a job")
    tablet.page.get_by_label("Odometer").fill("48210,5")
    tablet.press("Open the job")
    tablet.page.wait_for_url("**/#/job/*")
    expect(tablet.page.get_by_role("group", name="Vehicle")).to_contain_text(vehicle.vin[-6:])
    (job,) = tablet.bay.get("/jobs/")["results"]
    assert job["id"] == tablet.page.url.rpartition("/")[2]
    assert float(job["odometer_km"]) == 48210.5

"""Imports in a browser without scripts: from the file by its columns and a trial to what was recorded."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from calibration.models import HeightCheck
from reports.models import Import
from tests.factories import Site, make_site
from tests.fleet.pages.forms import form_of
from tests.fleet.signin.browsers import browser_of
from tests.reports.imports import begun, carry_out, check_row, csv_of, german_row, xlsx_of

Browsers = Callable[..., Client]
NEEDED = {
    "checks": ("vin", "taken_at", "odometer_km", "loading", "FL_mm", "FR_mm", "RL_mm", "RR_mm"),
    "vehicles": ("vin", "registration", "make", "model", "model_year", "operator"),
}


def handed_in(browser: Client, content: bytes, name: str = "Prüfungen.csv") -> str:
    """The address of the page with the file's columns."""
    body = {"file": SimpleUploadedFile(name, content), "kind": "checks"}
    answer = browser.post("/imports/new/", body)
    assert answer.status_code == 302, answer.content.decode()
    return str(answer["Location"])


def test_a_file_is_tried_and_then_carried_out(site: Site, manager: Client) -> None:
    vehicle = site.vehicle()
    content = csv_of([check_row(vehicle.vin), check_row(vehicle.vin, "yesterday")], ";")
    columns = handed_in(manager, content.replace(b"vin;", b"Wagen;", 1))
    page = manager.get(columns)
    assert vehicle.vin in page.content.decode()  # among the first rows
    assert "text in columns (CSV)" in page.content.decode()
    typed = form_of(page).filled(column_vin="Wagen")

    trial = manager.post(columns, {**typed, "how": "trial"})["Location"]
    assert "waiting" in manager.get(trial).content.decode()
    carry_out(site)
    told = manager.get(trial).content.decode()
    assert "Line 3, column “taken_at” (date and time of the check): “yesterday” is no date." in told
    assert not HeightCheck.objects.filter(vehicle=vehicle).exists()
    assert f'href="{columns}"' in told
    assert 'href="/imports/new/">Hand in a corrected file' in told
    assert "See the vehicles" not in told

    wanted = form_of(manager.get(trial), f"{trial}carrying-out/")
    done = [manager.post(f"{trial}carrying-out/", wanted.filled())["Location"] for _twice in range(2)]
    assert done[0] == done[1] != trial
    carry_out(site)
    assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1
    recorded = manager.get(done[0]).content.decode()
    assert 'href="/vehicles/?sort=newest">See the vehicles' in recorded
    assert 'href="/due/">See what is due' in recorded
    assert f'href="{columns}"' not in recorded
    errors = b"".join(manager.get(f"{done[0]}errors/")).decode("utf-8-sig")
    assert errors.splitlines()[1].startswith("3;taken_at;not_a_time;")


def test_the_refused_rows_put_right_are_handed_in_as_they_are(site: Site, manager: Client) -> None:
    vehicle = site.vehicle()
    content = csv_of([german_row("X", "2025-07-04T09:30Z")], ";").replace(b"FIN;", b"Wagen;", 1)
    columns = handed_in(manager, content)
    typed = form_of(manager.get(columns)).filled(column_vin="Wagen", loading="as_specified")
    run = manager.post(columns, {**typed, "how": "import"})["Location"]
    carry_out(site)
    assert "The refused rows as a file" in manager.get(run).content.decode()
    refused = b"".join(manager.get(f"{run}errors/"))

    again = handed_in(manager, refused.replace(b";X;", f";{vehicle.vin};".encode()), "errors.csv")
    page = manager.get(again)
    assert "error: line" not in page.content.decode(), "nobody is asked what that column is"
    manager.post(again, {**form_of(page).filled(loading="as_specified"), "how": "import"})
    carry_out(site)
    assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1


def test_a_workshops_own_list_is_understood_and_its_days_are_asked_about(site: Site, manager: Client) -> None:
    vehicle = site.vehicle()
    columns = handed_in(manager, xlsx_of([german_row(vehicle.vin, date(2025, 7, 4))]), "Prüfungen.xlsx")
    form = form_of(manager.get(columns))
    proposed = {name: form.filled().get(f"column_{name}") for name in ("vin", "taken_at", "FL_mm", "RR_mm", "note")}
    assert list(proposed.values()) == [["FIN"], ["Datum"], ["Höhe VL (mm)"], ["Höhe HR (mm)"], ["Bemerkung"]]
    assert form.filled()["time_of_day"] == ["12:00"]
    assert "has days without a time of day" in manager.get(columns).content.decode()

    unsaid = manager.post(columns, {**form.filled(), "how": "import"})
    assert unsaid.status_code == 422
    assert "Say it here, or which heading of the file says it." in unsaid.content.decode()
    run = manager.post(columns, {**form.filled(loading="as_specified"), "how": "import"})["Location"]
    carry_out(site)
    assert "Time of day assumed where there was none" in manager.get(run).content.decode()
    assert HeightCheck.objects.get(vehicle=vehicle).findings[0]["code"] == "time_assumed"
    assert "(time assumed)" in manager.get(f"/vehicles/{vehicle.vin}/").content.decode()


def test_only_what_has_times_is_asked_for_a_time_zone(site: Site, manager: Client) -> None:
    content = csv_of([{"VIN": "0LBWAGNX5RA000017", "Make": "Brae", "Model": "Fell", "Operator": "Tarn Lodge"}])
    for kind, is_asked in (("vehicles", False), ("checks", True)):
        body = {"file": SimpleUploadedFile("list.csv", content), "kind": kind}
        page = manager.get(manager.post("/imports/new/", body)["Location"])
        assert ("time_zone" in form_of(page).values) == is_asked, kind


def test_two_headings_for_one_column_are_asked_about(site: Site, manager: Client) -> None:
    columns = handed_in(manager, csv_of([{**german_row("X", "2025-07-04"), "Fahrgestellnummer": "Y"}]))
    page = manager.get(columns)
    assert "Could be “FIN”, “Fahrgestellnummer”: say which." in page.content.decode()
    answer = manager.post(columns, {**form_of(page).filled(loading="other"), "how": "trial"})
    assert answer.status_code == 422
    assert not Import.objects.exists()


def test_days_with_slashes_have_to_be_decided(site: Site, manager: Client) -> None:
    columns = handed_in(manager, csv_of([german_row(site.vehicle().vin, "03/05/2024")]))
    typed = form_of(manager.get(columns)).filled(loading="other")
    answer = manager.post(columns, {**typed, "how": "import"})
    assert "Say what comes first in them." in answer.content.decode()
    assert manager.post(columns, {**typed, "day_order": "month_first", "how": "import"}).status_code == 302


def test_the_page_says_what_a_file_needs(manager: Client) -> None:
    page = manager.get("/imports/new/").content.decode()
    for word in ("Odometer (km)", "Height front left (mm)", "1\u202f000\u202f000", "yes, or say it for all rows"):
        assert word.lower() in page.lower(), word
    assert "taken_at" not in page


def test_the_page_leads_to_what_has_to_be_there_first(manager: Client) -> None:
    page = manager.get("/imports/new/").content.decode()
    for path in ("/operators/", "/vehicle-models/", "/vehicles/", "/instruments/"):
        assert f'<li><a href="{path}">' in page, path
        assert manager.get(path).status_code == 200


def test_large_numbers_are_grouped(site: Site, manager: Client) -> None:
    key = begun(site, csv_of([check_row(site.vehicle().vin)]))
    Import.objects.filter(pk=key).update(rows=1234567)
    for path in ("/imports/", f"/imports/{key}/"):
        assert "1\u202f234\u202f567" in manager.get(path).content.decode()


def test_a_spreadsheet_without_a_column_comes_back_with_its_name(site: Site, manager: Client) -> None:
    columns = handed_in(manager, xlsx_of([{"price": 7}]), "checks.xlsx")
    answer = manager.post(columns, {**form_of(manager.get(columns)).filled(), "how": "import"})

    assert answer.status_code == 422
    assert "Say which heading" in answer.content.decode()
    assert not Import.objects.filter(kind="checks", dry_run=False).exists()


def test_lines_that_no_page_can_show_are_left_out_of_the_sample(site: Site, manager: Client) -> None:
    lines = [rb'{"half \ud800": 1}', rb'{"a": "\udfff"}', b'{"a": 1e99999999999999999999}', b'{"right": "shown"}']
    page = manager.get(handed_in(manager, b"\n".join(lines)))

    assert page.status_code == 200
    assert "shown" in page.content.decode()
    assert "half" not in page.content.decode()


def test_one_under_way_may_be_cancelled(site: Site, manager: Client) -> None:
    key = begun(site, csv_of([check_row(site.vehicle().vin)]))
    path = f"/imports/{key}/"
    assert "data-unfinished" in manager.get(path).content.decode()
    for _twice in range(2):
        assert manager.post(f"{path}cancellation/").status_code == 302
    assert "cancelled" in manager.get(path).content.decode()
    carry_out(site)
    assert not HeightCheck.objects.exists()


def test_examples_are_files_that_can_be_imported(site: Site, manager: Client) -> None:
    for kind in ("checks", "vehicles"):
        for form in ("csv", "xlsx", "ndjson"):
            answer = manager.get(f"/imports/examples/{kind}.{form}")
            assert answer.status_code == 200
            body = {"file": SimpleUploadedFile(f"x.{form}", answer.content), "kind": kind}
            columns = manager.post("/imports/new/", body)["Location"]
            typed = form_of(manager.get(columns)).filled()
            assert all(typed.get(f"column_{each}") for each in NEEDED[kind]), (kind, form, typed)
            assert manager.post(columns, {**typed, "how": "trial"}).status_code == 302, (kind, form)
    assert manager.get("/imports/examples/people.csv").status_code == 404
    assert manager.get("/imports/examples/checks.pdf").status_code == 404


def test_they_are_of_managers_of_the_workshop(site: Site, manager: Client, another: Browsers) -> None:
    columns = handed_in(manager, csv_of([check_row(site.vehicle().vin)]))
    key = begun(site, csv_of([check_row(site.vehicle().vin)]))
    paths = ["/imports/examples/checks.csv", columns, f"/imports/{key}/errors/"]
    technician, stranger = another("technician"), browser_of(make_site().manager)
    for path in paths:
        assert technician.get(path).status_code == 403
        assert Client().get(path).status_code == 302
    for path in paths[1:]:
        assert stranger.get(path).status_code == 404
    for step in ("cancellation", "carrying-out"):
        assert technician.post(f"/imports/{key}/{step}/").status_code == 403
        assert stranger.post(f"/imports/{key}/{step}/").status_code == 404


def test_a_file_that_is_too_large_is_refused(site: Site, manager: Client, settings: object) -> None:
    settings.IMPORT_LARGEST_BYTES = 10  # type: ignore[attr-defined]
    answer = manager.post("/imports/new/", {"file": SimpleUploadedFile("x.csv", b"vin,taken_at\n"), "kind": "checks"})
    assert answer.status_code == 413


def test_rows_that_cannot_be_read_are_not_said_to_be_none(manager: Client) -> None:
    page = manager.get(handed_in(manager, b"vin,taken_at\nX,Y,Z\nX,Y,Z\n")).content.decode()
    assert "None of the first rows can be read. Line 2: This row has 3 cells, and there are 2 headings." in page
    assert "There is no row below the headings." not in page
    empty = manager.get(handed_in(manager, b"vin,taken_at\n")).content.decode()
    assert "There is no row below the headings." in empty

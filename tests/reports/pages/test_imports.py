"""Imports in a browser without scripts: from the file by its columns and a trial to what was recorded."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from calibration.models import HeightCheck
from fleet.tenancy import in_workshop
from reports.models import Import
from reports.pages.import_forms import IN_EARNEST
from tests.factories import Site, make_site
from tests.fleet.pages.forms import form_of
from tests.fleet.signin.browsers import browser_of
from tests.reports.imports import begun, carry_out, check_row, csv_of, german_row, set_zone, xlsx_of

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
    settings = f"?settings_of={trial.split('/')[2]}"
    assert f'href="{columns}{settings}"' in told
    assert f'href="/imports/new/{settings}">Hand the mended rows in' in told
    assert form_of(manager.get(f"{columns}{settings}")).filled()["column_vin"] == ["Wagen"]
    assert "See the vehicles" not in told

    wanted = form_of(manager.get(trial), f"{trial}carrying-out/")
    done = [manager.post(f"{trial}carrying-out/", wanted.filled())["Location"] for _twice in range(2)]
    assert done[0] == done[1] != trial
    carry_out(site)
    assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1
    recorded = manager.get(done[0]).content.decode()
    assert 'href="/vehicles/?sort=newest">See the vehicles' in recorded
    assert 'href="/due/">See what is due' in recorded
    assert f'href="{columns}' not in recorded
    errors = b"".join(manager.get(f"{done[0]}errors/")).decode("utf-8-sig")
    assert errors.splitlines()[1].startswith("3;taken_at;not_a_time;")


def test_days_tried_in_the_workshops_zone_are_carried_out_in_it(site: Site, manager: Client) -> None:
    """Also where the file is handed in anew with the settings of the trial."""
    vehicle = site.vehicle()
    columns = handed_in(manager, csv_of([check_row(vehicle.vin, "2025-07-04")]))
    typed = form_of(manager.get(columns)).filled(time_zone="", time_of_day="12:00")
    set_zone(site, "America/New_York")
    trial = manager.post(columns, {**typed, "how": "trial"})["Location"]
    carry_out(site)
    set_zone(site, "Asia/Tokyo")
    told = manager.get(trial).content.decode()
    assert "<dt>Time zone of assumed times</dt><dd>America/New_York</dd>" in told
    manager.post(f"{trial}carrying-out/", form_of(manager.get(trial), f"{trial}carrying-out/").filled())
    carry_out(site)
    assert HeightCheck.objects.get(vehicle=vehicle).taken_at.hour == 16

    content = csv_of([check_row(vehicle.vin, "2025-07-05")])
    body = {"file": SimpleUploadedFile("more.csv", content), "kind": "checks"}
    more = manager.post(f"/imports/new/?settings_of={trial.split('/')[2]}", body)["Location"]
    manager.post(more, {**form_of(manager.get(more)).filled(), "how": IN_EARNEST})
    carry_out(site)
    assert HeightCheck.objects.get(vehicle=vehicle, taken_at__day=5).taken_at.hour == 16


@pytest.mark.parametrize("said", [{}, {"how": "trial"}, {"how": ""}, {"how": "IMPORT"}])
def test_only_the_button_for_it_imports_in_earnest(site: Site, manager: Client, said: dict[str, str]) -> None:
    columns = handed_in(manager, csv_of([check_row(site.vehicle().vin, "2026-05-02T09:30:00Z")]))
    manager.post(columns, {**form_of(manager.get(columns)).filled(), **said})
    with in_workshop(site.workshop.pk):
        assert [run.dry_run for run in Import.objects.all()] == [True]


def test_checks_of_a_time_before_any_specification_are_told_of(site: Site, manager: Client) -> None:
    vehicle = site.vehicle(vehicle_model=site.specification(effective_from=date(2025, 5, 4)).vehicle_model)
    days = ("2025-05-02", "2025-05-03", "2025-05-04")
    far_off = {"FR_mm": 48.7}
    rows = [check_row(vehicle.vin, f"{day}T09:30:00Z", **(far_off if day < "2025-05-03" else {})) for day in days]
    columns = handed_in(manager, csv_of(rows))
    trial = manager.post(columns, {**form_of(manager.get(columns)).filled(), "how": "trial"})["Location"]
    assert "No specification judges" not in manager.get(trial).content.decode()
    carry_out(site)
    told = manager.get(trial).content.decode()
    assert "No specification judges 2 checks" in told
    assert "first record a revision of the specification" in told

    site.specification(vehicle.vehicle_model, effective_from=date(2025, 5, 3))
    run = manager.post(columns, {**form_of(manager.get(columns)).filled(), "how": "import"})["Location"]
    carry_out(site)
    told = manager.get(run).content.decode()
    assert "When it came, no specification judged one check" in told
    assert "first record a revision of the specification" not in told, "it is too late to be asked about these"
    assert "It judges them as soon as it is on record" in told
    judged = HeightCheck.objects.filter(vehicle=vehicle).order_by("taken_at").values_list("specification__revision")
    assert [revision for (revision,) in judged] == [None, 2, 1]


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


def test_what_was_said_of_an_import_is_proposed_for_its_mended_rows_and_may_be_changed(
    site: Site, manager: Client
) -> None:
    vehicle = site.vehicle()
    columns = handed_in(manager, csv_of([german_row("X", "04/05/2024")]))
    said = {
        "time_zone": "America/New_York",
        "time_of_day": "07:30",
        "day_order": "month_first",
        "loading": "other",
        "atomic": "on",
        "column_note": "",
    }
    run = manager.post(columns, {**form_of(manager.get(columns)).filled(**said), "how": "import"})["Location"]
    carry_out(site)
    (link,) = re.findall(r'href="([^"]+)">Hand the mended rows in', manager.get(run).content.decode())
    page = manager.get(link)
    assert "The settings of the import of “Prüfungen.csv” on" in page.content.decode()

    right = b"".join(manager.get(f"{run}errors/")).replace(b",X,", f",{vehicle.vin},".encode())
    sent = {**form_of(page).filled(), "file": SimpleUploadedFile("errors.csv", right)}
    assert sent["kind"] == ["checks"]
    again = manager.post(link, sent)["Location"]
    form = form_of(manager.get(again))
    assert "Proposed are the settings of the import of “Prüfungen.csv” on" in manager.get(again).content.decode()
    assert {name: form.filled().get(name) for name in said} == {name: [value] for name, value in said.items()}
    done = manager.post(again, {**form.filled(time_of_day="08:30"), "how": "import"})["Location"]
    carry_out(site)
    check = HeightCheck.objects.get(vehicle=vehicle)
    assert check.taken_at.isoformat() == "2024-04-05T12:30:00+00:00"
    assert (check.loading, check.note) == ("other", "")
    assert "08:30" in manager.get(done).content.decode()


def test_settings_of_another_kind_are_not_proposed_and_of_none_not_found(site: Site, manager: Client) -> None:
    run = begun(site, csv_of([check_row("X")]), time_zone="Asia/Tokyo")
    body = {"file": SimpleUploadedFile("v.csv", b"vin,make\r\nX,Y\r\n"), "kind": "vehicles"}
    assert "?" not in manager.post(f"/imports/new/?settings_of={run}", body)["Location"]
    for named in ("0", "01a21229-0000-7000-8000-000000000000", "%00"):
        assert manager.get(f"/imports/new/?settings_of={named}").status_code == 404


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

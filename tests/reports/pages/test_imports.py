"""Imports in a browser without scripts: from the file by its columns and a trial to what was recorded."""

from __future__ import annotations

from collections.abc import Callable

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from calibration.models import HeightCheck
from reports.models import Import
from tests.factories import Site, make_site
from tests.fleet.pages.forms import form_of
from tests.fleet.signin.browsers import browser_of
from tests.reports.imports import begun, carry_out, check_row, csv_of, xlsx_of

Browsers = Callable[..., Client]


def handed_in(browser: Client, content: bytes, name: str = "Prüfungen.csv") -> str:
    """The address of the page with the file's columns."""
    body = {"file": SimpleUploadedFile(name, content), "kind": "checks"}
    answer = browser.post("/imports/new/", body)
    assert answer.status_code == 302, answer.content.decode()
    return str(answer["Location"])


def test_a_file_is_tried_and_then_carried_out(site: Site, manager: Client) -> None:
    vehicle = site.vehicle()
    content = csv_of([check_row(vehicle.vin), check_row(vehicle.vin, "yesterday")], ";")
    columns = handed_in(manager, content.replace(b"vin;", b"Fahrgestellnummer;", 1))
    page = manager.get(columns)
    assert vehicle.vin in page.content.decode()  # among the first rows
    assert "text in columns (CSV)" in page.content.decode()
    typed = form_of(page).filled(column_vin="Fahrgestellnummer")

    trial = manager.post(columns, {**typed, "how": "trial"})["Location"]
    assert "waiting" in manager.get(trial).content.decode()
    carry_out(site)
    told = manager.get(trial).content.decode()
    assert "yesterday" in told
    assert not HeightCheck.objects.filter(vehicle=vehicle).exists()

    wanted = form_of(manager.get(trial), f"{trial}carrying-out/")
    done = [manager.post(f"{trial}carrying-out/", wanted.filled())["Location"] for _twice in range(2)]
    assert done[0] == done[1] != trial
    carry_out(site)
    assert HeightCheck.objects.filter(vehicle=vehicle).count() == 1
    errors = b"".join(manager.get(f"{done[0]}errors/")).decode("utf-8-sig")
    assert errors.splitlines()[1].startswith("3,taken_at,not_a_time,")


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

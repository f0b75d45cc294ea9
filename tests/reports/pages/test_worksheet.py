"""The worksheet on paper: what is known stands on it, what is to be written has room, and it is one sheet."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.core.cache import cache
from django.test import Client
from django.utils import timezone
from django.utils.html import escape
from playwright.sync_api import Browser

from calibration.rules.cautions import cautions_for
from fleet.ids import new_id
from fleet.models import Membership, Specification
from fleet.specifications import READINESS_ITEMS
from fleet.tenancy import in_workshop
from tests.factories import make_site
from tests.fleet.signin.browsers import browser_of

from .conftest import AtWork, at_work_in

CORNERS = ("Front left", "Front right", "Rear left", "Rear right")


@pytest.fixture(autouse=True)
def no_sign_ins_counted() -> None:
    """All people of all tests sign in from one address."""
    cache.clear()


def text_of(browser: Client, path: str) -> str:
    """The page without its markup, each run of white space one space."""
    answer = browser.get(path)
    assert answer.status_code == 200
    body = answer.content.decode().split("<main", 1)[1]
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


def test_a_vehicle_s_sheet_names_it_and_its_targets(manager: Client, at_work: AtWork) -> None:
    vehicle = at_work.open.vehicle
    text = text_of(manager, f"/vehicles/{vehicle.vin}/worksheet/")
    assert f"{vehicle.vin[:-6]} {vehicle.vin[-6:]}" in text
    assert vehicle.registration in text
    assert str(vehicle.vehicle_model) in text
    for corner, target in zip(CORNERS, ("486.0 ± 6.0", "486.0 ± 6.0", "504.0 ± 6.0", "504.0 ± 6.0"), strict=True):
        assert f"{corner} {target}" in text


def test_there_is_room_for_three_rounds_of_two_readings_and_for_two_changes(manager: Client, at_work: AtWork) -> None:
    page = manager.get(f"/jobs/{at_work.open.job_id}/worksheet/").content.decode()
    heights, setpoints = re.findall(r"<tbody>(.*?)</tbody>", page, re.DOTALL)
    assert [row.count("<td></td>") for row in heights.split("</tr>")[:4]] == [6, 6, 6, 6]
    assert [row.count("<td></td>") for row in setpoints.split("</tr>")[:4]] == [7, 7, 7, 7]
    assert page.count("Read back") == 2


def test_every_readiness_item_has_its_box(manager: Client) -> None:
    page = manager.get("/worksheet/").content.decode()
    assert page.count("<li><i></i>") == len(READINESS_ITEMS)


def test_the_cautions_of_measuring_and_writing_stand_on_it_once(manager: Client) -> None:
    page = manager.get("/worksheet/").content.decode()
    for caution in {*cautions_for("check_readiness"), *cautions_for("measure"), *cautions_for("write")}:
        assert page.count(escape(str(caution.text))) == 1, caution.code


def test_it_says_how_it_is_entered_and_that_it_signs_nothing(manager: Client) -> None:
    text = text_of(manager, "/worksheet/")
    assert "“recorded from paper” (recorded_from: paper)" in text
    assert "signs nothing off" in text


def test_the_empty_sheet_names_no_vehicle_and_no_target(manager: Client, at_work: AtWork) -> None:
    text = text_of(manager, "/worksheet/")
    assert at_work.open.vehicle.vin[-6:] not in text
    assert "±" not in text


def test_a_job_keeps_its_own_revision_while_the_vehicle_has_the_one_in_force(manager: Client, at_work: AtWork) -> None:
    with in_workshop(at_work.site.workshop.pk):
        assert at_work.open.job is not None
        assert at_work.open.job.specification is not None
        old = at_work.open.job.specification
        content = {**old.content, "front": {**old.content["front"], "target_mm": 500}}
        Specification.objects.create(
            id=new_id(),
            vehicle_model_id=old.vehicle_model_id,
            revision=old.revision + 1,
            source=old.source,
            source_kind=old.source_kind,
            effective_from=timezone.now().date() - timedelta(days=1),
            content=content,
            true_vehicles_passing=old.true_vehicles_passing,
            recorded_at=timezone.now(),
        )
    assert "Front left 486.0 ± 6.0" in text_of(manager, f"/jobs/{at_work.open.job_id}/worksheet/")
    assert "Front left 500.0 ± 6.0" in text_of(manager, f"/vehicles/{at_work.open.vehicle.vin}/worksheet/")


def test_lengths_are_in_the_reader_s_unit(at_work: AtWork) -> None:
    with in_workshop(at_work.site.workshop.pk):
        Membership.objects.filter(pk=at_work.site.technician.membership.pk).update(length_unit="inch")
    text = text_of(browser_of(at_work.site.technician), f"/vehicles/{at_work.open.vehicle.vin}/worksheet/")
    assert "Heights in inch" in text
    assert "Front left 19.13 ± 0.24" in text


@pytest.mark.parametrize("place", ["vehicle", "job"])
def test_it_is_reached_from_the_pages_of_vehicle_and_job(manager: Client, at_work: AtWork, place: str) -> None:
    path = f"/vehicles/{at_work.open.vehicle.vin}/" if place == "vehicle" else f"/jobs/{at_work.open.job_id}/"
    assert f'href="{path}worksheet/"' in manager.get(path).content.decode()


def test_each_worksheet_is_one_sheet_of_either_paper(browser: Browser, origin: str, committed_db: None) -> None:
    site = make_site()
    work = at_work_in(site)
    client = browser_of(site.manager)
    client.get("/choose-workshop/")
    context = browser.new_context(base_url=origin)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": origin}])
    page = context.new_page()
    for path in (
        "/worksheet/",
        f"/vehicles/{work.open.vehicle.vin}/worksheet/",
        f"/jobs/{work.open.job_id}/worksheet/",
    ):
        page.goto(path)
        for paper in ("A4", "Letter"):
            assert (path, paper, page.pdf(format=paper).count(b"/Type /Page\n")) == (path, paper, 1)
    page.evaluate("document.querySelector('.sheet-notes').style.minBlockSize = '150mm'")
    assert page.pdf(format="A4").count(b"/Type /Page\n") == 2, "a sheet that ran over would be seen"
    context.close()

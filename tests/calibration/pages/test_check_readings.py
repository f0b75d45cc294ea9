"""The page of a height check, and the form that strikes out one of its readings."""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from calibration.models import HeightCheck, HeightCheckReading, HeightCheckStrike
from calibration.selectors.height_checks import measured_height_checks
from calibration.services.height_checks import height_check_record
from fleet import services
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Vehicle, Workshop
from fleet.tenancy import in_workshop
from tests.factories import Person, Site, make_site
from tests.fleet.pages.forms import errors_in, form_of, send
from tests.fleet.signin.browsers import browser_of

WRONG = {"FL": 498, "FR": 486, "RL": 504, "RR": 504}
RIGHT = {"replacement__height_mm": "486,5", "reason": "Two digits changed round."}


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


@pytest.fixture
def check(site: Site, vehicle: Vehicle) -> HeightCheck:
    """Measured by the technician; the front left height is wrong."""
    return measured_by(site, site.technician, vehicle)


def measured_by(site: Site, person: Person, vehicle: Vehicle) -> HeightCheck:
    with in_workshop(site.workshop.pk):
        return height_check_record(
            actor=person.actor(),
            record_id=new_id(),
            vehicle=vehicle,
            taken_at=timezone.now() - timedelta(minutes=5),
            readings=[{"corner": corner, "height_mm": Decimal(height)} for corner, height in WRONG.items()],
            loading="as_specified",
            instrument=site.instrument(),
        )


def address(site: Site, check: HeightCheck, corner: str = "FL") -> str:
    with in_workshop(site.workshop.pk):
        reading = HeightCheckReading.objects.get(height_check=check, corner=corner)
    return f"/check-readings/{reading.pk}/strike/"


def front_left(site: Site, check: HeightCheck) -> tuple[float, str]:
    with in_workshop(site.workshop.pk):
        found = measured_height_checks([check])[0].result["corners"]["FL"]
    return found["mean_mm"], found["verdict"]


def text_of(answer: Any) -> str:
    """What is read on a page."""
    main = answer.content.decode().partition("<main")[2]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", main))


def test_a_wrong_reading_is_struck_out_from_the_vehicles_page_on(
    site: Site, vehicle: Vehicle, check: HeightCheck
) -> None:
    manager, strike = browser_of(site.manager), address(site, check)
    page = f"/checks/{check.pk}/"
    assert f'href="{page}"' in manager.get(f"/vehicles/{vehicle.vin}/").content.decode()
    assert f'href="{strike}"' in manager.get(page).content.decode()
    asked = text_of(manager.get(strike))
    assert "Front left: 498.0 mm" in asked
    assert "target 486.0 ± 6.0 mm outside" in asked
    assert "What this changes" in asked
    assert front_left(site, check) == (498.0, "outside")

    answer = send(manager, strike, **RIGHT)

    assert (answer.status_code, answer["Location"]) == (302, page)
    told = manager.get(page)
    assert "The reading is struck out. The height check now says: within tolerance." in text_of(told)
    assert "<s>498.0</s>" in told.content.decode()
    assert "struck out: Two digits changed round. (manager" in text_of(told)
    assert f'href="{strike}"' not in told.content.decode()
    assert front_left(site, check) == (486.5, "within")
    with in_workshop(site.workshop.pk):
        struck = HeightCheckStrike.objects.select_related("replacement").get()
        assert (struck.recorded_by, struck.self_approved) == (site.manager.membership.pk, False)
        assert struck.replacement.measured_by_id == site.manager.membership.pk
        assert LedgerEntry.objects.filter(book=vehicle.pk).latest("sequence").kind == "check_reading_struck"
        assert OutboxItem.objects.filter(kind="calibration.drift_changed").exists()


def test_sent_twice_it_is_struck_once(site: Site, check: HeightCheck) -> None:
    manager, strike = browser_of(site.manager), address(site, check)
    sent = form_of(manager.get(strike)).filled(**RIGHT)
    first, again = (manager.post(strike, sent) for _twice in range(2))
    assert (first.status_code, first["Location"]) == (again.status_code, again["Location"])
    with in_workshop(site.workshop.pk):
        assert HeightCheckStrike.objects.count() == 1


def test_a_struck_reading_is_not_offered_again(site: Site, check: HeightCheck) -> None:
    manager, strike = browser_of(site.manager), address(site, check)
    sent = form_of(manager.get(strike)).values
    send(manager, strike, **RIGHT)
    page = manager.get(strike)
    assert "This reading is struck out already." in text_of(page)
    assert "<form" not in page.content.decode().partition("<main")[2]
    refused = manager.post(strike, {**sent, "id": str(new_id()), "replacement-height_mm": "487", "reason": "Again."})
    assert refused.status_code == 409
    assert errors_in(refused) == {"": "This reading is struck out already."}


@pytest.mark.parametrize(
    ("spoilt", "name", "says"),
    [
        ({"reason": ""}, "reason", "Must not be empty."),
        ({"reason": "x" * 501}, "reason", "500"),
        ({"replacement__height_mm": ""}, "replacement-height_mm", "Must not be empty."),
        ({"replacement__height_mm": "about 480"}, "replacement-height_mm", "number"),
        ({"replacement__height_mm": "-3"}, "replacement-height_mm", "0"),
        ({"replacement__height_mm": "48.65"}, "replacement-height_mm", "tick that the height"),
        ({"replacement__height_mm": "19.1"}, "replacement-height_mm", "looks like inches"),
    ],
)
def test_what_is_wrong_is_said_at_its_field_with_nothing_typed_lost(
    site: Site, check: HeightCheck, spoilt: dict[str, str], name: str, says: str
) -> None:
    typed = {**RIGHT, **spoilt}
    refused = send(browser_of(site.manager), address(site, check), **typed)
    told = errors_in(refused)
    assert (refused.status_code, list(told)) == (422, [name]), told
    assert says in told[name]
    kept = form_of(refused).values
    assert kept["replacement-height_mm"] == [typed["replacement__height_mm"]]
    assert kept["reason"] == [typed["reason"]]
    assert front_left(site, check)[0] == 498.0


def test_a_height_far_from_target_stands_once_it_is_confirmed(site: Site, check: HeightCheck) -> None:
    typed = {**RIGHT, "replacement__height_mm": "300", "replacement__confirmed": "on"}
    assert send(browser_of(site.manager), address(site, check), **typed).status_code == 302
    assert front_left(site, check) == (300.0, "outside")


def test_whoever_measured_is_told_who_strikes_it_out(site: Site, check: HeightCheck) -> None:
    technician, strike = browser_of(site.technician), address(site, check)
    page = technician.get(strike)
    assert "so another person than the one who measured strikes it out" in text_of(page)
    assert "<form" not in page.content.decode().partition("<main")[2]
    body = {"id": str(new_id()), "replacement-height_mm": "486", "reason": "Mine."}
    assert technician.post(strike, body).status_code == 403
    another = browser_of(site.person("technician"))
    assert send(another, strike, **RIGHT).status_code == 302


def test_in_a_workshop_of_one_they_do_it_alone_and_openly(site: Site, vehicle: Vehicle) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(single_person=True)
    check = measured_by(site, site.manager, vehicle)
    manager, strike = browser_of(site.manager), address(site, check)
    assert "You decide on your own work" in text_of(manager.get(strike))
    assert send(manager, strike, **RIGHT).status_code == 302
    assert "self-approved" in text_of(manager.get(f"/checks/{check.pk}/"))
    with in_workshop(site.workshop.pk):
        assert HeightCheckStrike.objects.get().self_approved


def test_others_read_the_check_as_far_as_it_is_theirs(site: Site, vehicle: Vehicle, check: HeightCheck) -> None:
    strike, page = address(site, check), f"/checks/{check.pk}/"
    driver = site.person("operator_contact", operator=vehicle.operator_id)
    for reader in (site.person("auditor"), driver):
        browser = browser_of(reader)
        read = browser.get(page)
        assert "498.0" in text_of(read)
        assert strike not in read.content.decode()
        assert browser.get(strike).status_code == 403
        assert browser.post(strike, {}).status_code == 403
    stranger = browser_of(site.person("operator_contact", operator=site.operator().pk))
    elsewhere = browser_of(make_site().manager)
    assert stranger.get(page).status_code == 404
    assert [elsewhere.get(path).status_code for path in (page, strike)] == [404, 404]
    assert [Client().get(path).status_code for path in (page, strike)] == [302, 302]
    assert browser_of(site.manager).get(f"/checks/{new_id()}/").status_code == 404


def test_who_had_the_vehicle_then_learns_nothing_of_it_now(site: Site, vehicle: Vehicle, check: HeightCheck) -> None:
    driver = browser_of(site.person("operator_contact", operator=vehicle.operator_id))
    page = f"/checks/{check.pk}/"
    assert vehicle.registration in text_of(driver.get(page))
    buyer = site.operator().pk
    with in_workshop(site.workshop.pk):
        services.vehicle_update(
            actor=site.manager.actor(),
            vehicle_id=vehicle.pk,
            expected_versions=[vehicle.version],
            changes={"operator": buyer},
        )
    read = text_of(driver.get(page))
    assert "498.0" in read
    assert vehicle.registration not in read


def test_heights_are_in_the_readers_unit_and_typed_in_millimetres(site: Site, check: HeightCheck) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(length_unit="inch")
    manager = browser_of(site.manager)
    assert "19.61" in text_of(manager.get(f"/checks/{check.pk}/"))
    assert "498.0 mm" in text_of(manager.get(address(site, check)))


def test_in_german_nothing_is_left_in_english(site: Site, check: HeightCheck) -> None:
    manager = browser_of(site.manager)
    paths = (f"/checks/{check.pk}/", address(site, check))
    page, form = (text_of(manager.get(path, headers={"Accept-Language": "de"})) for path in paths)
    assert "Streichen Vorn links, 498,0" in page
    assert "Was sich damit ändert" in form
    for english in ("reading", "struck", "height", "corner"):
        assert english not in f"{page} {form}".casefold()

"""What a model's vehicles have taught, as a page: drawn, tabled, described, and for whom."""

from __future__ import annotations

import re
from xml.etree import ElementTree

from django.test import Client

from fleet.models import VehicleModel
from fleet.tenancy import in_workshop
from tests.calibration.test_responses_learned import visit
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of

SVG = "{http://www.w3.org/2000/svg}"


def taught(site: Site, vehicles: int) -> VehicleModel:
    """A model of which so many vehicles answered with 0.7 of what the specification says."""
    model = site.vehicle_model()
    site.specification(model)
    with in_workshop(site.workshop.pk):
        for number in range(vehicles):
            visit(site, site.vehicle(vehicle_model=model), hours_ago=60 - number)
    return model


def page_of(browser: Client, model: VehicleModel) -> str:
    answer = browser.get(f"/vehicle-models/{model.pk}/response/")
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_each_axle_is_drawn_described_and_tabled(manager: Client, site: Site) -> None:
    page = page_of(manager, taught(site, 2))
    charts = [ElementTree.fromstring(found) for found in re.findall(r"<svg xmlns=.*?</svg>", page, re.DOTALL)]  # noqa: S314
    assert [chart.findtext(f"{SVG}title") for chart in charts] == [
        "Front: responses of the model's vehicles",
        "Rear: responses of the model's vehicles",
    ]
    described = charts[0].findtext(f"{SVG}desc") or ""
    assert "The specification says 0.90 mm per count, standard deviation 0.15; with 2 vehicles the mean is" in described
    assert "from 2 vehicles of this model" in page
    assert page.count('href="/vehicles/') >= 4
    assert len(set(re.findall(r'aria-labelledby="([^"]+)"', page))) >= 4
    assert "<script" not in page[page.index("<main") : page.index("</main")]


def test_without_vehicles_it_says_so_and_draws_nothing(manager: Client, site: Site) -> None:
    page = page_of(manager, taught(site, 0))
    assert page.count("No vehicle has taught this axle yet") == 2
    assert "<svg xmlns" not in page


def test_without_a_specification_nothing_is_learned(manager: Client, site: Site) -> None:
    assert "No specification is in force" in page_of(manager, site.vehicle_model())


def test_the_models_page_leads_to_it(manager: Client, site: Site) -> None:
    model = site.specification().vehicle_model
    assert (
        f'href="/vehicle-models/{model.pk}/response/"' in manager.get(f"/vehicle-models/{model.pk}/").content.decode()
    )


def test_it_is_the_workshops_own(site: Site, other_site: Site) -> None:
    model = site.specification().vehicle_model
    path = f"/vehicle-models/{model.pk}/response/"
    assert browser_of(other_site.manager).get(path).status_code == 404
    contact = site.person("operator_contact", operator=site.operator().pk)
    assert browser_of(contact).get(path).status_code == 403
    assert Client().get(path).status_code == 302


def test_in_german(site: Site) -> None:
    browser = browser_of(site.manager)
    page = browser.get(
        f"/vehicle-models/{taught(site, 1).pk}/response/", headers={"accept-language": "de"}
    ).content.decode()
    assert "Höhenänderung je Zählwert" in page
    assert "aus 1 Fahrzeug dieses Modells" in page
    assert "Front: Höhenänderung" in page or "Vorn: Höhenänderung" in page

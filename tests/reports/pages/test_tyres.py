"""The tyres on a vehicle's page: compared, drawn and explained."""

from __future__ import annotations

import re

from django.test import Client

from fleet.models import Membership, Vehicle
from fleet.tenancy import in_workshop
from tests.factories import TYRE, Site
from tests.fleet.signin.browsers import browser_of


def section_of(browser: Client, vehicle: Vehicle) -> str:
    page = browser.get(f"/vehicles/{vehicle.vin}/").content.decode()
    part = page[page.index('id="tyres"') : page.index('id="papers"')]
    return re.sub(r"\s+", " ", re.sub(r"<svg.*?</svg>|<[^>]+>", " ", part, flags=re.DOTALL))


def larger(site: Site) -> Vehicle:
    vehicle = site.vehicle()
    tyre = {**TYRE, "size": "275/65R18", "load_index": 116}
    site.fitment(vehicle, tyres={corner: dict(tyre) for corner in ("FL", "FR", "RL", "RR")})
    return vehicle


def test_larger_tyres_are_compared_and_explained(site: Site) -> None:
    told = section_of(browser_of(site.manager), larger(site))
    assert "Compared with the specification's reference tyre 255/60R18." in told
    assert "Front left 275/65R18 116V 815.0 +26.0 +6.8 – 1 250" in told
    assert "shows 112.3 km/h at a true 120 km/h" in told
    assert "at least 6.8 % too much on the reference tyre" in told
    assert "Rear axle: the load of 1 650 kg is 66 % of the 2 500 kg that its tyres may carry." in told


def test_in_inches_for_whoever_reads_inches(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.manager.membership.pk).update(length_unit="inch")
    told = section_of(browser_of(site.manager), larger(site))
    assert "Diameter, inch" in told
    assert "32.09 +1.02 +6.8" in told


def test_what_a_job_would_find_stands_above(site: Site) -> None:
    vehicle = site.vehicle()
    site.fitment(vehicle, tyres={corner: {**TYRE, "load_index": 80} for corner in ("FL", "FR", "RL", "RR")})
    told = section_of(browser_of(site.manager), vehicle)
    assert told.index("The tyre may carry 450 kg, half of the axle load is 725 kg.") < told.index(
        "Size, load and speed"
    )


def test_without_a_specification_or_tyres_that_is_said(site: Site) -> None:
    vehicle = site.vehicle(vehicle_model=site.vehicle_model())
    assert "No tyres are on record." in section_of(browser_of(site.manager), vehicle)
    site.fitment(vehicle)
    assert "names no reference tyre to compare them with." in section_of(browser_of(site.manager), vehicle)

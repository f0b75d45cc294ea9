"""What a model's vehicles have taught, over HTTP: the figures, and who may see them."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from fleet.models import VehicleModel
from fleet.tenancy import in_workshop
from tests.calibration.test_responses_learned import SPECIFIED, proposal_of, visit
from tests.factories import Site

TAUGHT = 3


@pytest.fixture
def model(site: Site) -> VehicleModel:
    """Of which three vehicles answered with 0.7 of what the specification says."""
    found = site.vehicle_model()
    site.specification(found)
    with in_workshop(site.workshop.pk):
        for number in range(TAUGHT):
            visit(site, site.vehicle(vehicle_model=found), hours_ago=60 - number)
    return found


def address(model: VehicleModel) -> str:
    return f"/api/v1/vehicle-models/{model.pk}/response/"


def test_it_gives_what_was_learned_beside_the_specification(site: Site, model: VehicleModel) -> None:
    shown = site.manager.client().get(address(model)).json()
    assert (shown["vehicle_model"], shown["revision"]) == (str(model.pk), 1)
    for axle, specified, sd in (("front", SPECIFIED[0], 0.15), ("rear", SPECIFIED[2], 0.18)):
        own = shown["axles"][axle]
        assert own["specification"] == {"response_mm_per_count": specified, "response_sd": sd}
        assert own["learned"]["vehicles"] == TAUGHT
        expected = (specified / 2 + TAUGHT * 0.7 * specified) / (0.5 + TAUGHT)
        assert own["learned"]["response_mm_per_count"] == pytest.approx(expected, rel=0.03)
        assert own["learned"]["between_vehicles_sd"] > 0
        assert len(own["vehicles"]) == TAUGHT
        assert own["vehicles_left_out"] == 0
        for each in own["vehicles"]:
            assert each["low_mm_per_count"] < each["response_mm_per_count"] < each["high_mm_per_count"]
            assert each["response_mm_per_count"] == pytest.approx(0.7 * specified, rel=0.02)
            assert each["jobs"] == 1


def test_a_proposal_says_in_words_what_it_rests_on(site: Site, model: VehicleModel) -> None:
    with in_workshop(site.workshop.pk):
        bench, proposal = proposal_of(site, site.vehicle(vehicle_model=model))
    shown = site.manager.client().get(f"/api/v1/jobs/{bench.job.pk}/proposals/{proposal.pk}/").json()
    assert (shown["prior"]["source"], shown["prior"]["vehicles"]) == ("model", TAUGHT)
    assert "from 3 vehicles of this model" in shown["prior"]["detail"]


def test_a_model_without_vehicles_shows_the_specification(site: Site) -> None:
    specification = site.specification()
    shown = site.manager.client().get(address(specification.vehicle_model)).json()
    front = shown["axles"]["front"]
    assert front["learned"]["response_mm_per_count"] == front["specification"]["response_mm_per_count"]
    assert (front["learned"]["vehicles"], front["vehicles"]) == (0, [])


def test_an_axle_without_control_and_a_model_without_specification_show_none(site: Site) -> None:
    rear = site.specification(controlled_corners=["RL", "RR"]).vehicle_model
    shown = site.manager.client().get(address(rear)).json()
    assert shown["axles"]["front"] is None
    assert shown["axles"]["rear"]["learned"]["vehicles"] == 0
    nothing = site.manager.client().get(address(site.vehicle_model())).json()
    assert (nothing["specification"], nothing["axles"]) == (None, {"front": None, "rear": None})


def test_technicians_and_auditors_may_read(site: Site, model: VehicleModel) -> None:
    for person in (site.technician, site.person("auditor")):
        assert person.client().get(address(model)).status_code == 200


def test_an_operators_contact_may_not(site: Site, model: VehicleModel) -> None:
    contact = site.person("operator_contact", operator=site.operator().pk)
    assert contact.client().get(address(model)).status_code == 403


def test_nobody_without_a_token_may(model: VehicleModel) -> None:
    assert APIClient().get(address(model)).status_code == 401


def test_another_workshops_model_is_not_found(other_site: Site, model: VehicleModel) -> None:
    assert other_site.manager.client().get(address(model)).status_code == 404


def test_it_takes_no_more_queries_for_more_vehicles(site: Site, model: VehicleModel) -> None:
    client = site.manager.client()
    client.get(address(model))
    with CaptureQueriesContext(connection) as few:
        client.get(address(model))
    with in_workshop(site.workshop.pk):
        visit(site, site.vehicle(vehicle_model=model), hours_ago=40)
    with CaptureQueriesContext(connection) as more:
        client.get(address(model))
    assert len(more) == len(few)

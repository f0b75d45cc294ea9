"""The admin is for the deployer, who looks and closes accounts."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from fleet.admin import site as admin_site
from fleet.models import User, Vehicle
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Site


@pytest.fixture
def deployer(client: Client, db: None) -> Client:
    User.objects.create_superuser("deployer@example.com", PASSWORD)
    assert client.login(username="deployer@example.com", password=PASSWORD)
    return client


def choose(client: Client, site: Site) -> None:
    client.get(f"/admin/workshop/{site.workshop.pk}/")


def test_managers_have_no_business_here(client: Client, site: Site) -> None:
    assert client.login(username=site.manager.email, password=PASSWORD)
    for path in ("/admin/", "/admin/fleet/vehicle/", f"/admin/workshop/{site.workshop.pk}/"):
        response = client.get(path)
        assert response.status_code == 302, path
        assert client.get(response["Location"]).status_code == 403


def test_deployers_sign_in_on_the_page_that_everybody_does(client: Client, db: None) -> None:
    """Its limits and second factor hold for them, too."""
    to_login = client.get("/admin/fleet/user/")["Location"]
    assert client.get(to_login)["Location"] == "/sign-in/?next=/admin/fleet/user/"
    User.objects.create_superuser("deployer@example.com", PASSWORD)
    body = {"login": "deployer@example.com", "password": PASSWORD, "next": "/admin/fleet/user/"}
    assert client.post(to_login, body).status_code == 302
    assert client.get("/admin/fleet/user/").status_code == 302
    assert client.post("/sign-in/", body)["Location"] == "/admin/fleet/user/"
    assert client.get("/admin/fleet/user/").status_code == 200


def test_rows_are_seen_in_the_chosen_workshop_only(deployer: Client, site: Site, other_site: Site) -> None:
    mine, theirs = site.vehicle(), other_site.vehicle()
    choose(deployer, site)
    page = deployer.get("/admin/fleet/vehicle/").content.decode()
    assert mine.vin in page
    assert theirs.vin not in page


def test_every_table_can_be_looked_at_and_nothing_changed(deployer: Client, site: Site) -> None:
    vehicle = site.vehicle()
    site.fitment(vehicle)
    choose(deployer, site)
    for model in admin_site._registry:
        names = f"admin:{model._meta.app_label}_{model._meta.model_name}"
        assert deployer.get(reverse(f"{names}_changelist")).status_code == 200, model
        assert deployer.post(reverse(f"{names}_add")).status_code == 403, model
    change = f"/admin/fleet/vehicle/{vehicle.pk}/change/"
    assert deployer.get(change).status_code == 200
    assert deployer.post(change, {"registration": "X"}).status_code == 403
    assert deployer.post(f"/admin/fleet/vehicle/{vehicle.pk}/delete/", {"post": "yes"}).status_code == 403
    with in_workshop(site.workshop.pk):
        assert Vehicle.objects.get().registration == vehicle.registration


def test_no_secret_is_shown(deployer: Client, site: Site) -> None:
    choose(deployer, site)
    member = site.technician.membership
    page = deployer.get(f"/admin/fleet/membership/{member.pk}/change/").content.decode()
    assert member.name in page
    assert "commitment" not in page
    assert member.pin not in page


def test_an_account_can_be_closed(deployer: Client, site: Site) -> None:
    user = User.objects.get(email=site.technician.email)
    assert deployer.post(f"/admin/fleet/user/{user.pk}/change/", {}).status_code == 302
    user.refresh_from_db()
    assert user.is_active is False

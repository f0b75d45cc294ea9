"""The workshop's settings, oneself, and the command that makes a workshop."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import ProgrammingError
from django.test import Client
from rest_framework.test import APIClient

from fleet.models import AccessToken, LedgerEntry, Membership, User, Workshop
from fleet.tenancy import in_workshop
from fleet.time_zones import time_zone_of_machine
from tests.factories import PASSWORD, Site

WORKSHOP = "/api/v1/workshop/"
ME = "/api/v1/me/"


def change(site: Site, **changes: Any) -> Any:
    client = site.manager.client()
    return client.patch(WORKSHOP, changes, HTTP_IF_MATCH=client.get(WORKSHOP)["ETag"])


def test_a_manager_changes_settings_on_the_version_read(site: Site) -> None:
    client = site.manager.client()
    etag = client.get(WORKSHOP)["ETag"]
    body = {
        "name": "Fell Garage",
        "time_zone": "Europe/Vienna",
        "language": "de",
        "length_unit": "inch",
        "page_size": "letter",
    }
    changed = client.patch(WORKSHOP, body, HTTP_IF_MATCH=etag)
    assert changed.status_code == 200
    assert changed.json().items() >= body.items()
    assert client.patch(WORKSHOP, body, HTTP_IF_MATCH=etag).status_code == 412
    assert client.patch(WORKSHOP, body).status_code == 428
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="workshop_changed").count() == 1


def test_a_change_to_the_same_is_none(site: Site) -> None:
    before = site.manager.client().get(WORKSHOP)["ETag"]
    assert change(site, name=site.workshop.name)["ETag"] == before
    assert change(site)["ETag"] == before


@pytest.mark.parametrize(
    "body",
    [
        {"time_zone": "Mars/Olympus"},
        {"time_zone": "localtime"},
        {"time_zone": "Factory"},
        {"language": "xx"},
        {"page_size": "A5"},
        {"single_person": "yes"},
        {"email": "x"},
    ],
)
def test_a_setting_that_cannot_be_is_refused(site: Site, body: dict[str, Any]) -> None:
    response = change(site, **body)
    assert response.status_code == 422
    assert response.json()["errors"][0]["pointer"] == f"/{next(iter(body))}"


def test_others_read_the_settings_or_nothing(site: Site) -> None:
    assert site.technician.client().get(WORKSHOP).status_code == 200
    assert site.technician.client().patch(WORKSHOP, {}, HTTP_IF_MATCH='"1"').status_code == 403
    contact = site.person("operator_contact", operator=site.operator().pk)
    assert contact.client().get(WORKSHOP).status_code == 403
    assert APIClient().get(WORKSHOP).status_code == 401
    assert APIClient().patch(WORKSHOP, {}, HTTP_IF_MATCH='"1"').status_code == 401


def test_me_says_who_where_and_what(site: Site) -> None:
    me = site.technician.client().get(ME).json()
    assert me["user"]["email"] == site.technician.email
    assert me["workshop"] == {"id": str(site.workshop.pk), "name": site.workshop.name}
    assert (me["roles"], me["may_approve"], me["has_pin"]) == (["technician"], False, True)
    assert me["units"] == {"length": "mm"}
    assert APIClient().get(ME).status_code == 401


def test_units_are_ones_own_or_the_workshops(site: Site) -> None:
    change(site, length_unit="inch")
    client = site.technician.client()
    assert client.get(ME).json()["units"] == {"length": "inch"}
    assert client.put(f"{ME}units/", {"length": "mm"}).json()["units"] == {"length": "mm"}
    assert site.manager.client().get(ME).json()["units"] == {"length": "inch"}
    assert client.put(f"{ME}units/", {"length": ""}).json()["units"] == {"length": "inch"}
    assert client.put(f"{ME}units/", {"length": "ell"}).status_code == 422
    assert APIClient().put(f"{ME}units/", {"length": "mm"}).status_code == 401
    assert APIClient().put(f"{ME}pin/", {"password": "x", "pin": "4711"}).status_code == 401


def test_a_person_chooses_their_own_language(site: Site) -> None:
    client = site.technician.client()
    assert client.get(ME).json()["language"] == ""
    assert client.put(f"{ME}language/", {"language": "de"}).json()["language"] == "de"
    assert site.manager.client().get(ME).json()["language"] == ""
    assert client.put(f"{ME}language/", {"language": "xx"}).status_code == 422
    assert client.put(f"{ME}language/", {"language": ""}).json()["language"] == ""
    assert APIClient().put(f"{ME}language/", {"language": "de"}).status_code == 401


# The command


def create(*arguments: str, stdin: str = "", monkeypatch: pytest.MonkeyPatch | None = None) -> Any:
    if monkeypatch:
        monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
    out = io.StringIO()
    call_command("create_workshop", "--name", "Fell Garage", "--email", "ash@example.com", *arguments, stdout=out)
    return json.loads(out.getvalue())


def me_of(token: str) -> Any:
    return APIClient().get(ME, HTTP_AUTHORIZATION=f"Bearer {token}").json()


def signs_in(password: str) -> bool:
    body = {"email": "ash@example.com", "password": password, "device": "d"}
    return bool(APIClient().post("/api/v1/tokens/", body).status_code == 201)


def test_the_command_makes_a_workshop_with_its_first_person(db: None) -> None:
    made = create("--password", PASSWORD)
    me = me_of(made["token"])
    assert me["workshop"]["id"] == made["workshop"]
    assert me["roles"] == ["manager", "technician"]
    assert signs_in(PASSWORD)


def test_repeating_the_command_loses_nothing(db: None) -> None:
    first = create("--password", PASSWORD)
    again = create("--password", PASSWORD)
    assert again["workshop"] == first["workshop"]
    assert again["token"] != first["token"]
    assert me_of(first["token"]) == me_of(again["token"])
    with in_workshop(first["workshop"]):
        assert Workshop.objects.count() == Membership.objects.count() == 1
        assert AccessToken.objects.count() == 2


def test_another_name_makes_another_workshop_of_the_same_person(db: None) -> None:
    first = create("--password", PASSWORD)
    out = io.StringIO()
    call_command("create_workshop", "--name", "Tarn", "--email", "ash@example.com", "--password", "", stdout=out)
    second = json.loads(out.getvalue())
    assert second["workshop"] != first["workshop"]
    assert User.objects.filter(email="ash@example.com").count() == 1
    assert me_of(second["token"])["workshop"]["name"] == "Tarn"


@pytest.mark.parametrize("source", ["option", "environment", "standard input"])
def test_the_password_comes_from_wherever_it_is_given(db: None, monkeypatch: pytest.MonkeyPatch, source: str) -> None:
    monkeypatch.delenv("LEVELBOOK_PASSWORD", raising=False)
    if source == "environment":
        monkeypatch.setenv("LEVELBOOK_PASSWORD", PASSWORD)
    arguments = ["--password", PASSWORD] if source == "option" else []
    create(*arguments, stdin=f"{PASSWORD}\n" if source == "standard input" else "", monkeypatch=monkeypatch)
    assert signs_in(PASSWORD)


def test_without_a_password_only_the_token_works(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LEVELBOOK_PASSWORD", raising=False)
    made = create(stdin="", monkeypatch=monkeypatch)
    assert me_of(made["token"])["user"]["email"] == "ash@example.com"
    assert not User.objects.get(email="ash@example.com").has_usable_password()
    create("--password", PASSWORD)
    assert signs_in(PASSWORD)


def test_nobody_gets_another_password_by_the_command(db: None) -> None:
    create("--password", PASSWORD)
    with pytest.raises(CommandError, match="not your password"):
        create("--password", "not-this-one-41")
    assert signs_in(PASSWORD)


@pytest.mark.parametrize(("email", "password"), [("nobody", PASSWORD), ("ash@example.com", "short")])
def test_the_command_refuses_what_the_service_would(db: None, email: str, password: str) -> None:
    before = User.objects.count()  # tests that commit may have left people
    with pytest.raises(CommandError):
        call_command("create_workshop", "--name", "N", "--email", email, "--password", password)
    assert User.objects.count() == before


def zone_of(made: Any) -> str:
    token = made["token"]
    return str(APIClient().get("/api/v1/workshop/", HTTP_AUTHORIZATION=f"Bearer {token}").json()["time_zone"])


def test_a_workshop_begins_in_the_time_zone_that_is_given(db: None) -> None:
    made = create("--password", PASSWORD, "--time-zone", "Europe/Vienna")
    assert zone_of(made) == "Europe/Vienna"
    again = create("--password", PASSWORD, "--time-zone", "Europe/Lisbon")
    assert (again["workshop"], zone_of(again)) == (made["workshop"], "Europe/Vienna")


def test_otherwise_in_that_of_the_machine(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.management.commands.create_workshop.time_zone_of_machine", lambda: "Asia/Tbilisi")
    assert zone_of(create("--password", PASSWORD)) == "Asia/Tbilisi"


def test_where_that_is_unknown_in_utc(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.management.commands.create_workshop.time_zone_of_machine", lambda: None)
    assert zone_of(create("--password", PASSWORD)) == "UTC"


@pytest.mark.parametrize("zone", ["Vienna", "", "../../etc/passwd", "Europe/Vienna "])
def test_what_is_no_time_zone_is_refused(db: None, zone: str) -> None:
    with pytest.raises(CommandError, match="must be a zone like Europe/Vienna"):
        create("--password", PASSWORD, "--time-zone", zone)
    assert not Workshop.objects.filter(name="Fell Garage").exists()


@pytest.mark.parametrize(
    ("target", "zone"),
    [
        ("/usr/share/zoneinfo/Europe/Vienna", "Europe/Vienna"),
        ("../usr/share/zoneinfo/America/Argentina/Ushuaia", "America/Argentina/Ushuaia"),
        ("/var/db/timezone/zoneinfo/Asia/Tbilisi", "Asia/Tbilisi"),
        ("/usr/share/zoneinfo/Etc/UTC", None),
        ("/usr/share/zoneinfo/UTC", None),
        ("/usr/share/zoneinfo/No/Where", None),
        ("/srv/clock", None),
        (None, None),
    ],
)
def test_the_zone_of_a_machine_is_what_its_local_time_links_to(
    tmp_path: Path, target: str | None, zone: str | None
) -> None:
    link = tmp_path / "localtime"
    if target:
        link.symlink_to(target)
    assert time_zone_of_machine(link) == zone


def test_the_command_says_which_folder_is_not_set_up_yet(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def without_tables(**_fields: object) -> None:
        raise ProgrammingError('relation "fleet_user" does not exist')

    monkeypatch.setattr("fleet.management.commands.create_workshop.workshop_create", without_tables)
    with pytest.raises(CommandError, match="LEVELBOOK_DATA=FOLDER"):
        create("--password", PASSWORD)


def test_the_bare_address_leads_to_the_sign_in(client: Client) -> None:
    answer = client.get("/")
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/?next=/")


def test_a_person_who_is_no_manager_there_gets_no_managers_token(site: Site) -> None:
    with pytest.raises(CommandError, match="no manager"):
        call_command(
            "create_workshop", "--name", site.workshop.name, "--email", site.technician.email, "--password", ""
        )


def test_the_command_asks_a_person_at_a_terminal(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.delenv("LEVELBOOK_PASSWORD", raising=False)
    monkeypatch.setattr("getpass.getpass", lambda _prompt: PASSWORD)
    monkeypatch.setattr("sys.stdin", Terminal())
    create()
    assert signs_in(PASSWORD)

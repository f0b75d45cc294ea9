"""Vehicles: the VIN explained, what technicians may change, tyres and events with their findings, labels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from fleet.models import Fitment, ServiceEvent, Vehicle
from fleet.pages.labels import Label
from fleet.specifications import CORNERS
from fleet.tenancy import in_workshop
from tests.factories import Site

from .conftest import Furnished
from .forms import errors_in, form_of, send


@pytest.mark.parametrize(
    ("vin", "told"),
    [
        ("1M8GDM9AXKP04278", "exactly 17 characters; this one has 16"),
        ("1M8GDM9AOKP042788", "is the letter O"),
        ("1M8GDM9A0KP042788", "require X"),
        ("", "Must not be empty"),
    ],
)
def test_what_is_wrong_with_a_vin_is_said_in_words(furnished: Furnished, manager: Client, vin: str, told: str) -> None:
    page = send(manager, "/vehicles/new/", vin=vin, registration="LB 9")
    assert page.status_code == 422
    assert told in errors_in(page)["vin"]
    assert form_of(page).values["registration"] == ["LB 9"]


def test_the_only_model_and_operator_are_chosen_already(furnished: Furnished, manager: Client) -> None:
    values = form_of(manager.get("/vehicles/new/?vin=1M8GDM9AXKP042788")).values
    assert values["operator"] == [str(furnished.operator.pk)]
    assert values["vehicle_model"] == [str(furnished.vehicle_model.pk)]
    assert values["vin"] == ["1M8GDM9AXKP042788"]
    furnished.site.operator()
    assert form_of(manager.get("/vehicles/new/")).values["operator"] == [""]


def test_what_a_first_vehicle_lacks_is_said_with_the_way_to_it(
    site: Site, manager: Client, browser_with: Callable[..., Client]
) -> None:
    page = manager.get("/vehicles/new/").content.decode()
    for way in ("/vehicle-models/new/", "/operators/new/"):
        assert f'href="{way}"' in page
    assert (
        "Ask a manager to add the operator first" in browser_with("technician").get("/vehicles/new/").content.decode()
    )
    site.operator()
    site.vehicle_model()
    assert "first</a>" not in manager.get("/vehicles/new/").content.decode()


def test_errors_stand_in_the_order_of_the_fields(furnished: Furnished, manager: Client) -> None:
    page = send(manager, "/vehicles/new/", vin="", operator="", vehicle_model="", model_year="x")
    assert list(errors_in(page)) == ["vin", "vehicle_model", "model_year", "operator"]


def test_another_workshops_operator_is_no_choice(furnished: Furnished, other_site: Site, manager: Client) -> None:
    page = send(manager, "/vehicles/new/", vin="1M8GDM9AXKP042788", operator=other_site.operator().pk)
    assert page.status_code == 422
    assert "operator" in errors_in(page)


def test_a_technician_changes_the_registration_but_not_whose_it_is(
    furnished: Furnished, browser_with: Callable[..., Client]
) -> None:
    technician, path = browser_with("technician"), f"/vehicles/{furnished.vehicle.vin}/change/"
    page = technician.get(path)
    assert not {"operator", "vehicle_model"} & set(form_of(page).values)
    other = furnished.site.operator()
    sent = form_of(page).filled(registration="LB 77", operator=other.pk)
    assert technician.post(path, sent).status_code == 302
    with in_workshop(furnished.site.workshop.pk):
        vehicle = Vehicle.objects.get(pk=furnished.vehicle.pk)
    assert (vehicle.registration, vehicle.operator_id) == ("LB 77", furnished.operator.pk)


def test_after_a_correction_both_numbers_lead_to_the_vehicle(furnished: Furnished, manager: Client) -> None:
    path = f"/vehicles/{furnished.vehicle.vin}/"
    answer = send(manager, f"{path}vin-correction/", vin="1M8GDM9AXKP042788", reason="Misread.")
    assert answer["Location"] == "/vehicles/1M8GDM9AXKP042788/"
    for address in (path, answer["Location"]):
        assert manager.get(f"{address}change/").status_code == 200


def test_an_events_time_is_the_workshops(furnished: Furnished, manager: Client) -> None:
    send(manager, "/settings/", time_zone="Asia/Tokyo")
    path = f"/vehicles/{furnished.vehicle.vin}/events/new/"
    send(manager, path, kind="alignment", happened_at="2026-05-04T09:30")
    with in_workshop(furnished.site.workshop.pk):
        event = ServiceEvent.objects.get(vehicle=furnished.vehicle)
    assert event.happened_at.isoformat() == "2026-05-04T00:30:00+00:00"


def test_a_time_that_the_change_of_clocks_leaves_out_is_refused(furnished: Furnished, manager: Client) -> None:
    send(manager, "/settings/", time_zone="Europe/Vienna")
    path = f"/vehicles/{furnished.vehicle.vin}/events/new/"
    page = send(manager, path, kind="alignment", happened_at="2026-03-29T02:30")
    assert page.status_code == 422
    assert "the clocks were changed in Europe/Vienna" in errors_in(page)["happened_at"]


def test_a_year_before_all_time_zones_is_refused_as_such(furnished: Furnished, manager: Client) -> None:
    for zone in ("Europe/London", "Pacific/Auckland"):
        send(manager, "/settings/", time_zone=zone)
        path = f"/vehicles/{furnished.vehicle.vin}/events/new/"
        page = send(manager, path, kind="alignment", happened_at="0001-01-01T00:00")
        assert page.status_code == 422
        assert "The year must be from 1980 to 2100." in errors_in(page)["happened_at"]


def followed(browser: Client, answer: Any) -> str:
    return "".join(str(message) for message in browser.get("/operators/").context["messages"])


@pytest.mark.parametrize(
    ("language", "told"),
    [
        ("en", "Position 9 of the VIN is no check digit, which is usual outside North America."),
        ("de", "Stelle 9 der FIN ist keine Prüfziffer, was außerhalb Nordamerikas üblich ist."),
    ],
)
def test_a_vin_without_check_digit_is_told_as_a_note_not_as_a_warning(
    furnished: Furnished, manager: Client, language: str, told: str
) -> None:
    send(manager, "/vehicles/new/", vin="ZZ9BRAE00RA000017", registration="LB 9")
    page = manager.get("/vehicles/ZZ9BRAE00RA000017/", headers={"Accept-Language": language}).content.decode()
    assert told in page
    assert "notice-note" in page
    assert "notice-review" not in page


def test_findings_of_tyres_and_events_are_told_at_once(furnished: Furnished, manager: Client) -> None:
    path = f"/vehicles/{furnished.vehicle.vin}/"
    answer = send(
        manager, f"{path}fitments/new/", tyres__FL__sidewall="235/65R17 108V", tyres__FR__sidewall="235/65R17 108V"
    )
    told = followed(manager, answer)
    assert "FL, FR: 235/65R17 is not among the sizes" in told
    answer = send(manager, f"{path}events/new/", kind="other", happened_at="2099-01-01T08:00")
    assert "later than the server's" in followed(manager, answer)


def test_a_label_carries_the_code_that_opens_the_vehicle_on_the_bench(
    furnished: Furnished, manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []
    whole = Label.of

    def noted(vehicle: Vehicle, bench: str) -> Label:
        drawn.append(f"{bench}#/vehicle/{vehicle.vin}")
        return whole(vehicle, bench)

    monkeypatch.setattr(Label, "of", noted)
    page = manager.get("/vehicles/labels/", {"vin": furnished.vehicle.vin})
    assert drawn == [f"http://testserver/bench/#/vehicle/{furnished.vehicle.vin}"]
    for part in (furnished.vehicle.registration, f"<b>{furnished.vehicle.vin[-6:]}</b>", "<svg", "Code that opens"):
        assert part in page.content.decode()
    assert "style=" not in page.content.decode()


def test_a_label_of_a_vehicle_that_is_not_ours_is_not_printed(
    furnished: Furnished, other_site: Site, manager: Client
) -> None:
    assert manager.get("/vehicles/labels/", {"vin": other_site.vehicle().vin}).status_code == 404


def test_one_text_for_all_four_wheels_stands_where_a_wheel_has_none_of_its_own(
    furnished: Furnished, manager: Client
) -> None:
    path = f"/vehicles/{furnished.vehicle.vin}/fitments/new/"
    typed = {
        "all_four__sidewall": "235 / 65 r16c 121/119 r",
        "all_four__tread_mm": "7",
        "all_four__pressure_kpa": "475",
    }
    others = {"tyres__RR__sidewall": "235/65R16 103t xl", "tyres__RR__tread_mm": "6,5"}
    emptied = {f"tyres__{corner}__sidewall": "" for corner in CORNERS}
    answer = send(manager, path, **{**emptied, **typed, **others})
    assert answer.status_code == 302, errors_in(answer)
    tyres = latest_tyres(furnished)
    alike = {"size": "235/65R16C", "load_index": 121, "speed_symbol": "R", "tread_mm": 7, "pressure_kpa": 475}
    apart = {"size": "235/65R16 XL", "load_index": 103, "speed_symbol": "T", "tread_mm": 6.5, "pressure_kpa": 475}
    assert {corner: {name: tyre[name] for name in alike} for corner, tyre in tyres.items()} == {
        "FL": alike,
        "FR": alike,
        "RL": alike,
        "RR": apart,
    }
    values = form_of(manager.get(path)).values
    assert values["tyres-FL-sidewall"] == ["235/65R16C 121R"]
    assert values["tyres-RR-sidewall"] == ["235/65R16 103T XL"]
    assert values["all_four-sidewall"] == [""]


def test_tyres_that_are_alike_come_back_once(furnished: Furnished, manager: Client) -> None:
    path = f"/vehicles/{furnished.vehicle.vin}/fitments/new/"
    emptied = {f"tyres__{corner}__sidewall": "" for corner in CORNERS}
    send(manager, path, **emptied, all_four__sidewall="255/60R18 112V")
    values = form_of(manager.get(path)).values
    assert values["all_four-sidewall"] == ["255/60R18 112V"]
    assert [values[f"tyres-{corner}-sidewall"] for corner in CORNERS] == [[""]] * 4


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"all_four__sidewall": "255/60R18"}, "all_four-sidewall", "load index and the speed symbol are missing"),
        ({"all_four__sidewall": "", "tyres__FL__sidewall": "255/60R18 112V"}, "tyres-FR-sidewall", "Must not be empty"),
        (
            {f"tyres__{corner}__sidewall": "255/60R18 112V" for corner in CORNERS}
            | {"all_four__sidewall": "275/65R18 116T"},
            "all_four-sidewall",
            "stands for none",
        ),
        ({"tyres__FL__sidewall": "255/60R18 300V"}, "tyres-FL-sidewall", "no load index 300"),
    ],
)
def test_a_text_of_the_sidewall_that_lacks_something_is_refused_where_it_stands(
    furnished: Furnished, manager: Client, typed: dict[str, str], field: str, said: str
) -> None:
    emptied = {f"tyres__{corner}__sidewall": "" for corner in CORNERS}
    page = send(manager, f"/vehicles/{furnished.vehicle.vin}/fitments/new/", **{**emptied, **typed})
    assert page.status_code == 422
    assert said in errors_in(page)[field]


def latest_tyres(has: Furnished) -> Any:
    with in_workshop(has.site.workshop.pk):
        latest = Fitment.objects.filter(vehicle=has.vehicle).order_by("-recorded_at").first()
    assert latest is not None
    return latest.tyres

"""Who reaches what: nobody without a token, nothing of another workshop, contacts their own, roles their share."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import pytest
from pytest_django import DjangoDbBlocker
from rest_framework.test import APIClient

from tests.calibration.api.contract import CONTRACT
from tests.calibration.api.http_bench import API, ONE_HIGH, SETPOINTS, HttpBench, moment
from tests.factories import Site, make_site


@dataclass(frozen=True)
class Everything:
    """One of each record, and with it one of each address."""

    bench: HttpBench
    ids: dict[str, str]

    def address(self, template: str) -> str:
        return template.format(**self.ids).removeprefix(API)


@pytest.fixture(scope="module")
def standing_everything(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Everything:
    """Stays for the tests of this module; what each does to it is rolled back."""
    with django_db_blocker.unblock():
        return everything_of(HttpBench.of(make_site()))


@pytest.fixture
def everything(standing_everything: Everything, db: None) -> Everything:
    return standing_everything


@pytest.fixture
def site(everything: Everything) -> Site:
    return deepcopy(everything.bench.site)


def everything_of(bench: HttpBench) -> Everything:
    """A job that waits for an approval after a write that a manager ruled on."""
    measured = bench.measured(ONE_HIGH)
    write = bench.write(read_back={**SETPOINTS, "FL": 118})
    ruling = bench.made(
        f"/jobs/{bench.job}/rulings/",
        {"finding": write["findings"][0]["id"], "decision": "accept", "reason": "Seen."},
        bench.manager,
    )
    bench.measure(ONE_HIGH)
    heights = {"FL": 486, "FR": 486, "RL": 504, "RR": 504}
    leak_test = bench.made(
        f"/jobs/{bench.job}/leak-tests/",
        {
            "instrument": str(bench.tape.pk),
            "start": {"at": moment(-2), "heights": heights},
            "end": {"at": moment(), "heights": heights},
        },
    )
    proposal = bench.propose(setpoints={**bench.setpoints, "RR": 121}, justification="Try.")
    ids = {
        "job_id": bench.job,
        "id": bench.job,
        "round_id": measured["id"],
        "write_id": write["id"],
        "leak_test": leak_test["id"],
        "vin": bench.vehicle.vin,
        "reading": measured["readings"][0]["id"],
        "approval": proposal["approval"],
        "proposal": proposal["id"],
        "ruling": ruling["id"],
        "finding": write["findings"][0]["id"],
        "readiness": bench.get(f"/jobs/{bench.job}/readiness/").json()["results"][0]["id"],
    }
    return Everything(bench, ids)


LISTS = [
    "/jobs/",
    "/jobs/{job_id}/readiness/",
    "/jobs/{job_id}/rounds/",
    "/jobs/{job_id}/proposals/",
    "/jobs/{job_id}/concession/",
    "/jobs/{job_id}/reversion/",
    "/jobs/{job_id}/writes/",
    "/jobs/{job_id}/leak-tests/",
    "/jobs/{job_id}/findings/",
    "/jobs/{job_id}/rulings/",
    "/rounds/",
    "/proposals/",
    "/writes/",
    "/rounds/{round_id}/readings/",
    "/rounds/{round_id}/photos/",
    "/writes/{write_id}/photos/",
    "/approvals/",
    "/vehicles/{vin}/setpoints/",
]
ONES = [
    "/jobs/{job_id}/",
    "/jobs/{job_id}/readiness/{readiness}/",
    "/jobs/{job_id}/rounds/{round_id}/",
    "/jobs/{job_id}/proposals/{proposal}/",
    "/jobs/{job_id}/writes/{write_id}/",
    "/jobs/{job_id}/leak-tests/{leak_test}/",
    "/jobs/{job_id}/findings/{finding}/",
    "/jobs/{job_id}/rulings/{ruling}/",
    "/rounds/{round_id}/",
    "/proposals/{proposal}/",
    "/writes/{write_id}/",
    "/readings/{reading}/",
    "/approvals/{approval}/",
]
STEPS: dict[str, tuple[str, dict[str, Any]]] = {
    "readiness": ("/jobs/{job_id}/readiness/", {"checks": {"floor": {"outcome": "pass"}}}),
    "round": ("/jobs/{job_id}/rounds/", {}),
    "proposal": ("/jobs/{job_id}/proposals/", {}),
    "write": ("/jobs/{job_id}/writes/", {"written_at": "2026-05-04T09:30:00Z", "read_back": SETPOINTS}),
    "leak test": ("/jobs/{job_id}/leak-tests/", {}),
    "concession": ("/jobs/{job_id}/concession/", {}),
    "reversion": ("/jobs/{job_id}/reversion/", {"reason": "Back."}),
    "pause": ("/jobs/{job_id}/pause/", {"reason": "Parts."}),
    "resumption": ("/jobs/{job_id}/resumption/", {}),
    "end": ("/jobs/{job_id}/end/", {"reason": "Stop.", "setpoints": SETPOINTS}),
    "sign-off": ("/jobs/{job_id}/sign-off/", {"pin": "4711", "content_sha256": "0" * 64}),
    "refiling": ("/jobs/{job_id}/refiling/", {}),
    "ruling": ("/jobs/{job_id}/rulings/", {}),
    "decision": ("/approvals/{approval}/decision/", {}),
    "readings": ("/rounds/{round_id}/readings/", {"readings": [{"corner": "FL", "height_mm": 498}]}),
    "strike": ("/readings/{reading}/strike/", {}),
    "round photo": ("/rounds/{round_id}/photos/", {}),
    "write photo": ("/writes/{write_id}/photos/", {}),
    "baseline reset": ("/vehicles/{vin}/baseline-reset/", {}),
}
OF_MANAGERS = {"refiling", "ruling", "decision", "baseline reset"}


def statuses(everything: Everything, client: APIClient, templates: list[str]) -> dict[str, int]:
    return {each: everything.bench.get(everything.address(each), client).status_code for each in templates}


def step_statuses(everything: Everything, client: APIClient, names: set[str] | None = None) -> dict[str, int]:
    found = {}
    for name, (template, body) in STEPS.items():
        if names is None or name in names:
            kind = "multipart" if name.endswith("photo") else "json"
            found[name] = everything.bench.post(everything.address(template), body, client, kind).status_code
    return found


def test_the_lists_above_name_every_address_of_the_interface() -> None:
    """Without this, an address added later would be tested by nobody."""
    ours = {path for _method, path, _operation in CONTRACT.operations()}
    named = {*LISTS, *ONES, *(template for template, _body in STEPS.values())}
    shapes = {"/".join("*" if part.startswith("{") else part for part in each.split("/")) for each in named}
    open_shapes = {
        "/".join("*" if part.startswith("{") else part for part in path.removeprefix(API).split("/"))
        for path in ours
        if _is_of_calibration(path)
    }
    answered_elsewhere = {"/jobs/*/concession/*/", "/jobs/*/reversion/*/", "/photos/*/", "/photos/*/file/"}
    assert open_shapes - shapes == answered_elsewhere


def _is_of_calibration(path: str) -> bool:
    first = path.removeprefix(API).split("/")[1]
    return first in {"jobs", "rounds", "readings", "photos", "proposals", "writes", "approvals"} or path.endswith(
        ("/setpoints/", "/baseline-reset/")
    )


def test_nobody_reaches_anything_without_a_token(everything: Everything) -> None:
    anonymous = APIClient()

    assert set(statuses(everything, anonymous, [*LISTS, *ONES]).values()) == {401}
    assert set(step_statuses(everything, anonymous).values()) == {401}


def test_nothing_of_another_workshop_exists(everything: Everything) -> None:
    stranger = make_site().manager.client()
    across = {"/jobs/", "/rounds/", "/proposals/", "/writes/", "/approvals/"}

    within = statuses(everything, stranger, [each for each in (*LISTS, *ONES) if each not in across])

    assert set(within.values()) == {404}
    assert set(step_statuses(everything, stranger).values()) == {404}
    for each in across:
        assert everything.bench.get(each, stranger).json()["results"] == []


def test_the_workshops_people_read_everything(site: Site, everything: Everything) -> None:
    for person in (site.technician, site.manager, site.person("auditor")):
        assert set(statuses(everything, person.client(), [*LISTS, *ONES]).values()) == {200}


def test_an_auditor_changes_nothing(site: Site, everything: Everything) -> None:
    assert set(step_statuses(everything, site.person("auditor").client()).values()) == {403}


def test_a_technician_does_not_do_what_managers_do(everything: Everything) -> None:
    found = step_statuses(everything, everything.bench.client, OF_MANAGERS)

    assert set(found.values()) == {403}


def test_an_operators_contact_reads_the_jobs_of_their_own_vehicles_only(site: Site, everything: Everything) -> None:
    bench = everything.bench
    contact = site.person("operator_contact", operator=bench.vehicle.operator_id).client()
    other = site.person("operator_contact", operator=site.operator().pk).client()
    own = [each for each in (*LISTS, *ONES) if not each.startswith("/approvals/{")]

    assert set(statuses(everything, contact, own).values()) == {200}
    assert [each["id"] for each in bench.get("/jobs/", contact).json()["results"]] == [bench.job]
    assert len(bench.get("/rounds/", contact).json()["results"]) == 2
    assert set(step_statuses(everything, contact, set(STEPS) - {"decision"}).values()) == {403}
    assert bench.get(f"/jobs/{bench.job}/", other).status_code == 404
    assert bench.get("/jobs/", other).json()["results"] == []
    assert bench.get("/rounds/", other).json()["results"] == []


def test_a_former_operators_contact_keeps_the_past_and_learns_nothing_new(site: Site, bench: HttpBench) -> None:
    contact = site.person("operator_contact", operator=bench.vehicle.operator_id).client()
    bench.measured()
    bench.made(f"/jobs/{bench.job}/end/", {"reason": "Nothing to do."})
    vehicle = bench.get(f"/vehicles/{bench.vehicle.vin}/").json()
    changed = bench.manager.patch(
        f"{API}/vehicles/{bench.vehicle.vin}/",
        {"operator": str(site.operator().pk)},
        format="json",
        headers={"If-Match": f'"{vehicle["version"]}"'},
    )
    assert changed.status_code == 200, changed.content
    old = bench.job
    new = bench.open_job()["id"]

    seen = bench.get(f"/jobs/{old}/", contact).json()

    assert (seen["operator"], seen["vehicle"]["registration"]) == (None, None)
    assert [each["id"] for each in bench.get("/jobs/", contact).json()["results"]] == [old]
    assert bench.get(f"/jobs/{new}/", contact).status_code == 404


def test_an_integrator_does_what_its_scopes_say(site: Site, everything: Everything) -> None:
    bench = everything.bench
    reader = site.person("integrator", scopes=["read"]).client()
    feeder = site.person("integrator", scopes=["read", "facts:write"]).client()
    reading = {"readings": [{"corner": "FL", "height_mm": 498}]}
    address = f"/rounds/{everything.ids['round_id']}/readings/"

    assert bench.get(f"/jobs/{bench.job}/", reader).status_code == 200
    assert bench.post(address, reading, reader).status_code == 403
    assert bench.post(address, reading, feeder).status_code == 201
    assert step_statuses(everything, feeder, {"sign-off", *OF_MANAGERS}) == dict.fromkeys(
        {"sign-off", *OF_MANAGERS}, 403
    )


def test_an_address_with_a_malformed_id_is_not_found(bench: HttpBench) -> None:
    assert bench.client.get(f"{API}/jobs/42/").status_code == 404
    assert bench.client.get(f"{API}/jobs/{moment()}/").status_code == 404

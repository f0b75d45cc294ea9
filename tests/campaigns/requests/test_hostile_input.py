"""Input that no proper client sends: each is a clear 4xx problem, and nothing of it is stored."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.apps import apps
from django.core.cache import cache

from fleet.ids import new_id
from fleet.tenancy import in_workshop
from tests.calibration.api.contract import CONTRACT
from tests.calibration.api.http_bench import API, ON_TARGET, ONE_HIGH, SETPOINTS, HttpBench, moment, readings
from tests.campaigns.requests.conftest import Shop
from tests.campaigns.requests.real_records import Records, is_for_tablets, parameters_of, real_parameters
from tests.factories import Site, make_site

Problem = dict[str, Any]
MODELS = [model for app in ("fleet", "calibration", "reports") for model in apps.get_app_config(app).get_models()]
METHODS = ("get", "post", "put", "patch", "delete")


@pytest.fixture
def bench(db: None) -> HttpBench:
    return HttpBench.of(make_site())


def stored(site: Site) -> dict[str, int]:
    """How many rows the workshop has in each table."""
    with in_workshop(site.workshop.pk):
        return {model._meta.label: model._default_manager.count() for model in MODELS}


@contextmanager
def storing_nothing(site: Site) -> Iterator[None]:
    before = stored(site)
    yield
    after = stored(site)
    assert {table: rows - before[table] for table, rows in after.items() if rows != before[table]} == {}


def test_a_row_that_is_stored_is_noticed(bench: HttpBench) -> None:
    with pytest.raises(AssertionError, match=r"calibration\.Job"), storing_nothing(bench.site):
        bench.open_job()


def problem_of(response: Any) -> Problem:
    """The answer's problem, which has to tell people and programs what is wrong."""
    assert 400 <= response.status_code < 500, response.content.decode()[:500]
    assert response["Content-Type"].partition(";")[0] == "application/problem+json"
    problem: Problem = response.json()
    assert problem["status"] == response.status_code
    assert re.fullmatch(r"[a-z0-9_]+", problem["type"])
    assert len(problem["detail"]) > 10
    for error in problem.get("errors", []):
        assert error["pointer"] == "" or error["pointer"].startswith("/")
        assert re.fullmatch(r"[a-z0-9_]+", error["code"])
        assert len(error["detail"]) > 5
    return problem


def sent(client: Any, method: str, to: str, body: bytes) -> Any:
    cache.clear()  # what throttles remember: limits are tested elsewhere
    return client.generic(method.upper(), to, body, "application/json", HTTP_IF_MATCH='"1"')


def places(problem: Problem) -> set[tuple[str, str]]:
    return {(error["pointer"], error["code"]) for error in problem.get("errors", [])}


# --- Bodies that two programs could read differently, or that cannot be read --------------------------------
TWO_MEGABYTES = 2_000_000
UNREADABLE: dict[str, tuple[bytes, int, str, str]] = {
    "nothing but a bracket": (b"{", 400, "not_json", ""),
    "a word for a number": (b'{"height_mm": 48x}', 400, "not_json", ""),
    "a list": (b"[]", 400, "not_an_object", ""),
    "NaN": (b'{"readings": [{"height_mm": NaN}]}', 400, "not_a_number", "/readings/0/height_mm"),
    "Infinity": (b'{"odometer_km": Infinity}', 400, "not_a_number", "/odometer_km"),
    "1e999": (b'{"odometer_km": 1e999}', 400, "number_too_large", "/odometer_km"),
    "a huge whole number": (b'{"setpoints": {"FL": 1' + b"0" * 5000 + b"}}", 400, "number_too_large", "/setpoints/FL"),
    "broken UTF-8": (b'{"note": "\xc3\x28"}', 400, "not_utf8", ""),
    "NUL": (b'{"note": "a\\u0000b"}', 400, "nul_character", "/note"),
    "half a surrogate pair": (b'{"note": "\\ud83d"}', 400, "lone_surrogate", "/note"),
    "a member twice": (b'{"setpoints": {"FL": 1, "FL": 2}}', 400, "duplicate_member", "/setpoints"),
    "100,000 levels": (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, 400, "too_deep", ""),
    "two megabytes": (b'{"note": "' + b"x" * TWO_MEGABYTES + b'"}', 413, "too_large", ""),
}


def json_writes() -> list[tuple[str, str]]:
    """Method and path of every operation that takes a JSON body."""
    return [
        (method, path)
        for method, path, operation in CONTRACT.operations()
        if "application/json" in operation.get("requestBody", {}).get("content", {})
    ]


def address(path: str, records: Records) -> str:
    """The path with the newest record in each place; a name of nothing where there is none."""
    found = real_parameters(path, records)
    for _segment, name in parameters_of(path):
        path = path.replace(f"{{{name}}}", found.get(name, str(new_id())), 1)
    return path


def test_no_operation_takes_a_body_that_cannot_be_read(shop: Shop) -> None:
    manager, tablet, records = shop.site.manager.client(), shop.tablet(), shop.records()
    wrong, asked = [], 0
    with storing_nothing(shop.site):
        for method, path in json_writes():
            client = tablet if is_for_tablets(path) else manager
            for name, (body, status, code, pointer) in UNREADABLE.items():
                asked += 1
                response = sent(client, method, address(path, records), body)
                problem = problem_of(response)
                if response.status_code == status and (status == 413 or (pointer, code) in places(problem)):
                    continue
                wrong.append((method, path, name, problem))
    assert wrong == [], "\n".join(map(str, wrong))
    assert asked > 40 * len(UNREADABLE)


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_body_that_cannot_be_read_opens_no_job(bench: HttpBench, name: str) -> None:
    body, status, code, pointer = UNREADABLE[name]
    with storing_nothing(bench.site):
        response = sent(bench.client, "post", f"{API}/jobs/", body)
    problem = problem_of(response)
    assert response.status_code == status
    assert status == 413 or places(problem) == {(pointer, code)}


# --- Facts that cannot be ------------------------------------------------------------------------------
Change = Callable[[HttpBench], dict[str, Any]]
FIRST_HEIGHT = "/readings/0/height_mm"


def heights(**changed: Any) -> Change:
    return lambda _bench: {"readings": readings({**ON_TARGET, **changed})}


def first_height(value: Any) -> Change:
    def change(_bench: HttpBench) -> dict[str, Any]:
        return {"readings": [{"corner": "FL", "height_mm": value}, *readings(ON_TARGET)[1:]]}

    return change


def setpoints(**changed: Any) -> Change:
    return lambda _bench: {"setpoints": {**SETPOINTS, **changed}}


def fixed(**fields: Any) -> Change:
    return lambda _bench: fields


IMPOSSIBLE_ROUNDS: dict[str, tuple[Change, str, str]] = {
    "letters": (first_height("48x"), FIRST_HEIGHT, "not_a_number"),
    "a number in quotation marks": (first_height("486"), FIRST_HEIGHT, "not_a_number"),
    "no height at all": (first_height(None), FIRST_HEIGHT, "null"),
    "below zero": (first_height(-486), FIRST_HEIGHT, "not_above"),
    "as large as a number can be": (first_height(1.7e308), FIRST_HEIGHT, "too_large"),
    "as small as a number can be": (first_height(5e-324), FIRST_HEIGHT, "not_above"),
    "inches": (heights(FL=19.13), FIRST_HEIGHT, "confirm_height"),
    "centimetres": (heights(FL=48.6), FIRST_HEIGHT, "confirm_height"),
    "one reading a corner": (fixed(readings=readings(ON_TARGET, 1)), "/readings", "readings_per_corner"),
    "an unknown corner": (
        fixed(readings=[{"corner": "MIDDLE", "height_mm": 486}]),
        "/readings/0/corner",
        "not_allowed",
    ),
    "a corner that is no text": (
        fixed(readings=[{"corner": ["FL"], "height_mm": 486}]),
        "/readings/0/corner",
        "not_allowed",
    ),
    "a fraction of a count": (setpoints(FL=128.5), "/setpoints/FL", "fraction"),
    "a count beyond 32 bits": (setpoints(FL=2**40), "/setpoints/FL", "max_value"),
    "a count as text": (setpoints(FL="128"), "/setpoints/FL", "not_a_number"),
    "a fifth corner": (setpoints(XX=1), "/setpoints/XX", "unknown_corner"),
    "set-points as a list": (fixed(setpoints=[128, 131]), "/setpoints", "not_a_corner_map"),
    "a time without offset": (fixed(taken_at="2026-05-04T09:30:00"), "/taken_at", "offset_required"),
    "a time that never was": (fixed(taken_at="2026-02-30T09:30:00Z"), "/taken_at", "no_such_time"),
    "seconds since 1970": (fixed(taken_at=1_770_000_000), "/taken_at", "not_a_time"),
    "a mistyped member": (
        fixed(readings=[{"corner": "FL", "hieght_mm": 486}]),
        FIRST_HEIGHT,
        "required",
    ),
    "an id of another version": (fixed(id="6ba7b810-9dad-41d1-80b4-00c04fd430c8"), "/id", "not_uuid7"),
    "another workshop's tape": (
        lambda _bench: {"instrument": str(make_site().instrument().pk)},
        "/instrument",
        "does_not_exist",
    ),
}


@pytest.mark.parametrize("name", IMPOSSIBLE_ROUNDS)
def test_an_impossible_round_is_refused_where_it_is_wrong(bench: HttpBench, name: str) -> None:
    change, pointer, code = IMPOSSIBLE_ROUNDS[name]
    bench.open_job()
    body = bench.round_body() | change(bench)
    with storing_nothing(bench.site):
        response = bench.post(f"/jobs/{bench.job}/rounds/", body)
    assert response.status_code == 422
    assert (pointer, code) in places(problem_of(response))


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("rounds", {"readings": readings(ON_TARGET)}),
        ("writes", {"written_at": "2026-05-04T09:30:00Z", "read_back": SETPOINTS}),
        ("proposals", {"setpoints": SETPOINTS, "justification": "Try."}),
        ("end", {"reason": "Enough.", "setpoints": SETPOINTS}),
    ],
)
def test_a_count_for_a_corner_without_control_is_refused(db: None, path: str, body: dict[str, Any]) -> None:
    site = make_site()
    bare = {"target_mm": 486, "tolerance_mm": 6}
    model = site.specification(front=bare, controlled_corners=["RL", "RR"]).vehicle_model
    bench = HttpBench.of(site, site.vehicle(vehicle_model=model))
    bench.setpoints = {"RL": 119, "RR": 122}
    bench.measured()
    bench.setpoints = dict(SETPOINTS)
    with storing_nothing(site):
        response = bench.post(f"/jobs/{bench.job}/{path}/", bench.round_body() if path == "rounds" else body)
    assert response.status_code == 422
    assert {code for _pointer, code in places(problem_of(response))} == {"uncontrolled_corner"}


# --- Requests at the wrong time, by the wrong person, about the wrong thing ----------------------------------


def _second_job(bench: HttpBench) -> Any:
    bench.open_job()
    return lambda: bench.post("/jobs/", {"vehicle": bench.vehicle.vin, "reason": "routine", "odometer_km": 48211})


def _id_again(bench: HttpBench) -> Any:
    record_id = str(new_id())
    bench.open_job(id=record_id)
    body = {"id": record_id, "vehicle": bench.vehicle.vin, "reason": "complaint", "odometer_km": 48210.5}
    return lambda: bench.post("/jobs/", body)


def _proposal_before_readiness(bench: HttpBench) -> Any:
    bench.open_job()
    bench.measure(ONE_HIGH)
    return lambda: bench.post(f"/jobs/{bench.job}/proposals/")


def _sign_off_before_anything(bench: HttpBench) -> Any:
    bench.open_job()
    return bench.sign_off


def _sign_off_of_something_else(bench: HttpBench) -> Any:
    bench.measured()
    return lambda: bench.sign_off(content_sha256="0" * 64)


def _resumption_of_what_goes_on(bench: HttpBench) -> Any:
    bench.measured()
    body = {"reason": "Go on.", "setpoints": SETPOINTS, "nothing_changed": True}
    return lambda: bench.post(f"/jobs/{bench.job}/resumption/", body)


def _job_of_another_workshops_vehicle(bench: HttpBench) -> Any:
    other = make_site().vehicle().vin
    return lambda: bench.post("/jobs/", {"vehicle": other, "reason": "routine", "odometer_km": 1})


def _round_of_another_workshops_job(bench: HttpBench) -> Any:
    other = HttpBench.of(make_site())
    other.open_job()
    return lambda: bench.post(f"/jobs/{other.job}/rounds/", bench.round_body())


def _write_of_another_jobs_proposal(bench: HttpBench) -> Any:
    other = HttpBench.of(bench.site)
    other.measured(ONE_HIGH)
    proposal = other.propose()
    bench.measured(ONE_HIGH)
    body = {"proposal": proposal["id"], "written_at": moment(), "read_back": SETPOINTS}
    return lambda: bench.post(f"/jobs/{bench.job}/writes/", body)


def _fact_by_an_auditor(bench: HttpBench) -> Any:
    auditor = bench.site.person("auditor").client()
    bench.open_job()
    return lambda: bench.post(f"/jobs/{bench.job}/rounds/", bench.round_body(), auditor)


def _ruling_by_a_technician(bench: HttpBench) -> Any:
    bench.measured()
    body = {"finding": str(new_id()), "decision": "accept", "reason": "Mine."}
    return lambda: bench.post(f"/jobs/{bench.job}/rulings/", body)


def _set_up_by_a_technician(bench: HttpBench) -> Any:
    return lambda: bench.post("/operators/", {"name": "Fell Lines", "email": "fell@example.com"})


def _change_without_version(bench: HttpBench) -> Any:
    return lambda: bench.manager.patch(f"{API}/vehicles/{bench.vehicle.vin}/", {"registration": "LB 2"}, format="json")


def _change_of_an_old_version(bench: HttpBench) -> Any:
    return lambda: bench.manager.patch(
        f"{API}/vehicles/{bench.vehicle.vin}/", {"registration": "LB 2"}, format="json", HTTP_IF_MATCH='"99"'
    )


def _form_instead_of_json(bench: HttpBench) -> Any:
    return lambda: bench.client.post(f"{API}/jobs/", {"vehicle": bench.vehicle.vin}, format="multipart")


OUT_OF_PLACE: dict[str, tuple[Callable[[HttpBench], Any], int, str, str | None]] = {
    "a second open job": (_second_job, 409, "job_open", None),
    "an id with other content": (_id_again, 409, "id_reused", None),
    "a proposal before readiness": (_proposal_before_readiness, 409, "out_of_turn", "check_readiness"),
    "a sign-off before anything": (_sign_off_before_anything, 409, "out_of_turn", "check_readiness"),
    "a sign-off of something else": (_sign_off_of_something_else, 409, "record_changed", "sign_off"),
    "a resumption of what goes on": (_resumption_of_what_goes_on, 409, "out_of_turn", None),
    "another workshop's vehicle": (_job_of_another_workshops_vehicle, 422, "invalid", None),
    "another workshop's job": (_round_of_another_workshops_job, 404, "not_found", None),
    "another job's proposal": (_write_of_another_jobs_proposal, 422, "invalid", None),
    "a fact by an auditor": (_fact_by_an_auditor, 403, "role_missing", None),
    "a ruling by a technician": (_ruling_by_a_technician, 403, "role_missing", None),
    "set-up by a technician": (_set_up_by_a_technician, 403, "role_missing", None),
    "a change without version": (_change_without_version, 428, "version_required", None),
    "a change of an old version": (_change_of_an_old_version, 412, "stale_version", None),
    "a form instead of JSON": (_form_instead_of_json, 415, "unsupported_media_type", None),
}


@pytest.mark.parametrize("name", OUT_OF_PLACE)
def test_a_request_out_of_place_is_refused(bench: HttpBench, name: str) -> None:
    prepare, status, slug, next_step = OUT_OF_PLACE[name]
    request = prepare(bench)
    with storing_nothing(bench.site):
        response = request()
    problem = problem_of(response)
    assert (response.status_code, problem["type"]) == (status, slug)
    if next_step:
        assert problem["next_step"] == next_step


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ({"vehicle": "%v%(x)s{0}"}, "vehicle"),
        ({"since": "100%"}, "since"),
        ({"until": "2026-05-04T09:30:00"}, "until"),
        ({"job": "%"}, "job"),
        ({"page_size": "ten"}, "page_size"),
        ({"ordering": "%"}, "ordering"),
        ({"cursor": "%"}, "cursor"),
    ],
)
def test_a_query_that_cannot_be_meant_is_refused_by_name(bench: HttpBench, query: dict[str, str], pointer: str) -> None:
    with storing_nothing(bench.site):
        response = bench.get("/rounds/", **query)
    problem = problem_of(response)
    assert response.status_code in {400, 422}
    assert pointer in str(problem)


def test_every_address_refuses_the_methods_it_does_not_take(shop: Shop) -> None:
    manager, tablet, records = shop.site.manager.client(), shop.tablet(), shop.records()
    taken: dict[str, set[str]] = {}
    for method, path, _operation in CONTRACT.operations():
        taken.setdefault(path, set()).add(method)
    wrong, asked = [], 0
    with storing_nothing(shop.site):
        for path, methods in taken.items():
            client = tablet if is_for_tablets(path) else manager
            for method in set(METHODS) - methods:
                asked += 1
                response = sent(client, method, address(path, records), b"{}")
                allowed = {each.strip().lower() for each in response.get("Allow", "").split(",")}
                if problem_of(response)["status"] != 405 or not methods <= allowed or method in allowed:
                    wrong.append((method, path, response.status_code, allowed))
    assert wrong == [], "\n".join(map(str, wrong))
    assert asked > 100

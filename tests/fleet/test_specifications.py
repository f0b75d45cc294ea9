"""What a specification must be, and the completed form in which a revision is kept."""

from __future__ import annotations

import copy
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone

from fleet import specifications
from fleet.api.examples import SPECIFICATION
from fleet.selectors.vehicle_models import specification_in_force
from fleet.tenancy import in_workshop
from tests.factories import SPECIFICATION as VALUES
from tests.factories import Site

REAR_ONLY = {
    "controlled_corners": ["RL", "RR"],
    "front": {"target_mm": 486, "tolerance_mm": 10},
}


def changed(**changes: Any) -> dict[str, Any]:
    """The example with members changed; `front__x` reaches into an axle, None in place of a value removes it."""
    body = copy.deepcopy(SPECIFICATION)
    for name, value in changes.items():
        *axle, member = name.split("__")
        place = body[axle[0]] if axle else body
        place[member] = value
        if value is None:
            del place[member]
    return body


@pytest.fixture
def path(site: Site) -> str:
    return f"/api/v1/vehicle-models/{site.vehicle_model().pk}/specifications/"


def post(site: Site, path: str, body: dict[str, Any]) -> Any:
    return site.manager.client().post(path, body)


def test_a_revision_answers_with_its_number_and_the_share_that_passes(
    site: Site, path: str, passing_share: float
) -> None:
    first, second = (post(site, path, SPECIFICATION).json() for _ in range(2))
    assert (first["revision"], second["revision"]) == (1, 2)
    assert first["true_vehicles_passing"] == passing_share
    assert first["findings"] == []
    assert first.items() >= SPECIFICATION.items()


def test_a_tolerance_too_tight_for_a_tape_is_said(site: Site, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(specifications, "_passing_share", [])
    specifications.register_passing_share(lambda content: 0.5 if content["front"]["tolerance_mm"] < 4 else 0.8)
    assert post(site, path, SPECIFICATION).json()["findings"] == []
    (finding,) = post(site, path, changed(front__tolerance_mm=3)).json()["findings"]
    assert (finding["code"], finding["severity"]) == ("few_true_vehicles_pass", "note")
    assert "50 %" in finding["detail"]


@pytest.mark.parametrize(
    ("target", "meant"),
    [
        (46.5, "It looks like centimetres (465 mm)."),
        (18.3, "It looks like inches (465 mm)."),
        (0.465, "It looks like metres (465 mm)."),
        (27, "It looks like centimetres (270 mm) or inches (686 mm)."),
        (4650, "Give it in millimetres."),
        (3, "Give it in millimetres."),
    ],
)
def test_a_target_in_another_unit_is_refused_naming_the_likely_one(
    site: Site, path: str, target: float, meant: str
) -> None:
    response = post(site, path, changed(front__target_mm=target, front__tolerance_mm=0.1))
    (error,) = response.json()["errors"]
    assert (error["pointer"], error["code"]) == ("/front/target_mm", "implausible_height")
    assert error["detail"].startswith(f"{target} mm is no height from hub centre to wheel arch")
    assert error["detail"].endswith(meant)


@pytest.mark.parametrize("target", [150, 2000])
def test_a_target_at_the_ends_of_what_is_plausible_is_taken(site: Site, path: str, target: float) -> None:
    assert post(site, path, changed(front__target_mm=target)).status_code == 201


def test_the_share_needs_someone_who_computes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(specifications, "_passing_share", [])
    with pytest.raises(RuntimeError, match="register_passing_share"):
        specifications.true_vehicles_passing({})


def test_what_is_left_out_is_filled_in(site: Site, path: str) -> None:
    optional = set(specifications.DEFAULTS)
    body = {name: value for name, value in SPECIFICATION.items() if name not in optional}
    answer = post(site, path, body).json()
    assert answer["controlled_corners"] == ["FL", "FR", "RL", "RR"]
    assert (answer["warp_max_mm"], answer["warp_change_max_mm"]) == (6, 20)
    assert (answer["linked_corners"], answer["allowed_tyres"], answer["readiness_not_applicable"]) == ([], [], [])
    assert answer["leak_limit_mm_per_h"] is None
    assert optional <= set(answer)


def test_an_uncontrolled_axle_needs_target_and_tolerance_only(site: Site, path: str) -> None:
    answer = post(site, path, {**SPECIFICATION, **REAR_ONLY}).json()
    assert answer["controlled_corners"] == ["RL", "RR"]
    assert answer["front"] == {
        "target_mm": 486,
        "tolerance_mm": 10,
        **dict.fromkeys(specifications.CONTROL_FIELDS),
    }


def test_numbers_are_kept_as_they_were_meant(site: Site) -> None:
    """486 and 486.0 are one; what is stored is a JSON number, not a text."""
    revision = site.specification(front={**VALUES["front"], "target_mm": 486.0})
    assert revision.content["front"]["target_mm"] == 486
    assert type(revision.content["front"]["target_mm"]) is int
    assert not set(revision.content) & set(specifications.OWN_COLUMNS)


@pytest.mark.parametrize(
    ("changes", "pointer", "code"),
    [
        ({"setpoint_min": 255, "setpoint_max": 255}, "/setpoint_max", "range_empty"),
        ({"setpoint_min": 41}, "/front/setpoint_low", "band_outside_range"),
        ({"setpoint_max": 214}, "/rear/setpoint_high", "band_outside_range"),
        ({"setpoint_max": 2**31}, "/setpoint_max", "max_value"),
        ({"setpoint_min": -(2**31) - 1}, "/setpoint_min", "min_value"),
        ({"setpoint_min": 0.5}, "/setpoint_min", "fraction"),
        ({"setpoint_kind": "relative"}, "/setpoint_kind", "not_allowed"),
        ({"front__setpoint_low": 215}, "/front/setpoint_high", "band_empty"),
        ({"front__target_mm": 0}, "/front/target_mm", "not_above"),
        ({"front__target_mm": "486"}, "/front/target_mm", "not_a_number"),
        ({"rear__tolerance_mm": 0}, "/rear/tolerance_mm", "not_above"),
        ({"rear__tolerance_mm": 504}, "/rear/tolerance_mm", "tolerance_over_target"),
        ({"front__response_mm_per_count": 0}, "/front/response_mm_per_count", "response_zero"),
        ({"front__response_sd": 0}, "/front/response_sd", "not_above"),
        ({"front__response_sd": None}, "/front/response_sd", "required"),
        ({"rear__axle_load_kg": None}, "/rear/axle_load_kg", "required"),
        ({"rear__axle_load_kg": -1}, "/rear/axle_load_kg", "not_above"),
        ({"wheelbase_mm": 0}, "/wheelbase_mm", "not_above"),
        ({"wheelbase_mm": None}, "/wheelbase_mm", "required"),
        ({"step_max_counts": 0}, "/step_max_counts", "min_value"),
        ({"step_max_counts": 61}, "/step_max_counts", "step_over_shift_limit"),
        ({"shift_review_counts": 61}, "/shift_review_counts", "review_over_shift_limit"),
        ({"settling_mm": -1}, "/settling_mm", "too_small"),
        ({"effective_from": "01.01.2026"}, "/effective_from", "not_a_date"),
        ({"source": " "}, "/source", "blank"),
        ({"source_kind": "hearsay"}, "/source_kind", "not_allowed"),
        ({"controlled_corners": ["FL", "FL"]}, "/controlled_corners", "corner_twice"),
        ({"controlled_corners": ["XX"]}, "/controlled_corners/0", "not_allowed"),
        ({"linked_corners": [["FL", "RL"]]}, "/linked_corners/0", "pair_of_one_axle"),
        ({"linked_corners": [["RL", "RR"], ["RR", "RL"]]}, "/linked_corners/1", "corner_twice"),
        ({"linked_corners": [["RL"]]}, "/linked_corners/0", "min_length"),
        ({"linked_corners": [["FL", "FR"]], **REAR_ONLY}, "/linked_corners/0", "pair_not_controlled"),
        ({"readiness_not_applicable": ["paint"]}, "/readiness_not_applicable/0", "not_allowed"),
        ({"reference_tyre": "wide"}, "/reference_tyre", "tyre_size"),
        ({"allowed_tyres": ["255/60R18", "wide"]}, "/allowed_tyres/1", "tyre_size"),
        ({"check_interval_months": 0}, "/check_interval_months", "min_value"),
        ({"side_diference_max_mm": 8}, "/side_diference_max_mm", "unknown_member"),
        ({"front__tolerence_mm": 6}, "/front/tolerence_mm", "unknown_member"),
        ({"front": [486]}, "/front", "not_an_object"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)  # fmt: skip
def test_each_rule_names_its_field(site: Site, path: str, changes: dict[str, Any], pointer: str, code: str) -> None:
    response = post(site, path, changed(**changes))
    assert response.status_code == 422
    assert (pointer, code) in [(e["pointer"], e["code"]) for e in response.json()["errors"]], response.json()
    assert site.manager.client().get(path).json()["results"] == []


@pytest.mark.parametrize(
    "changes",
    [
        {"front__response_mm_per_count": -1.4},
        {"setpoint_min": -(2**31), "setpoint_max": 2**31 - 1},
        {"setpoint_min": -128, "setpoint_max": 127, "front__setpoint_high": 100, "rear__setpoint_high": 100},
        {"linked_corners": [["RR", "RL"]]},
        {"step_max_counts": 60, "shift_review_counts": 60},
        {"settling_mm": 0},
        {"cg_height_mm": 0.001, "front_overhang_mm": 900, "ground_clearance_mm": 210},
    ],
)
def test_what_suspensions_differ_in_is_allowed(site: Site, path: str, changes: dict[str, Any]) -> None:
    assert post(site, path, changed(**changes)).status_code == 201


def test_all_faults_are_named_at_once(site: Site, path: str) -> None:
    response = post(site, path, changed(step_max_counts=61, front__setpoint_low=300, rear__tolerance_mm=600))
    assert len(response.json()["errors"]) == 3


def test_the_revision_in_force_is_the_latest_effective_and_recorded(site: Site) -> None:
    model = site.vehicle_model()
    old = site.specification(model, effective_from=date(2020, 1, 1))
    planned = site.specification(model, effective_from=date(2090, 1, 1))
    mended = site.specification(model, effective_from=date(2021, 1, 1))
    now = timezone.now()
    with in_workshop(site.workshop.pk):
        assert specification_in_force(model.pk, now) == mended
        assert specification_in_force(model.pk, datetime(2091, 1, 1, tzinfo=UTC)) == planned
        assert specification_in_force(model.pk, site.began_at - timedelta(seconds=1)) is None
        assert specification_in_force(site.vehicle_model().pk, now) is None
    assert (old.revision, planned.revision, mended.revision) == (1, 2, 3)


def test_a_list_of_tyre_sizes_keeps_the_sizes_alone(site: Site, path: str) -> None:
    listed = ["235/65 r16 c 121/119 r", "255/60R18 112V XL", "31x10.50R15LT"]
    answer = post(site, path, changed(allowed_tyres=listed, reference_tyre="235/65R16C 121/119R")).json()
    assert answer["allowed_tyres"] == ["235/65R16C", "255/60R18", "31x10.50R15LT"]
    assert answer["reference_tyre"] == "235/65R16C"

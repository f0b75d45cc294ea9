"""The assessment under its public names, rounded once."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from calibration.metrology.assessment import assess
from calibration.metrology.assessment_document import assessment_as_dict
from tests.metrology.builders import SPECIFICATION, round_off_by


def test_matches_the_worked_example_of_the_interface() -> None:
    document = assessment_as_dict(assess([round_off_by((11.5, 10.0, 0, 0), identity="r")], SPECIFICATION))
    corner = document["corners"]["FL"]
    shown = {
        "mean_mm": 497.5,
        "deviation_mm": 11.5,
        "readings": 2,
        "rounds": 1,
        "estimator": "mean",
        "standard_uncertainty_mm": 1.32,
        "degrees_of_freedom": 147,
        "coverage_factor": 1.98,
        "expanded_uncertainty_mm": 2.61,
        "verdict": "outside",
        "conformance_probability": 0.00002,
        "adjustable": True,
        "read_again": 0,
    }
    assert {name: corner[name] for name in shown} == shown
    assert corner["budget"][0] == {
        "component": "repeatability",
        "standard_uncertainty_mm": 0.71,
        "degrees_of_freedom": 12,
    }
    assert {name: document["sides"]["front"][name] for name in ("difference_mm", "verdict")} == {
        "difference_mm": 1.5,
        "verdict": "within",
    }
    assert round(document["sides"]["front"]["expanded_uncertainty_mm"], 1) == 3.6
    assert (document["rounds"], document["verdict"], document["rounds_to_decide"]) == (["r"], "outside", None)


def test_keeps_the_corners_and_sides_in_order() -> None:
    document = assessment_as_dict(assess([round_off_by((0, 0, 0, 0))], SPECIFICATION))
    assert list(document["corners"]) == ["FL", "FR", "RL", "RR"]
    assert list(document["sides"]) == ["front", "rear"]
    assert {"heave_mm", "pitch_mm", "roll_mm", "warp_mm"} <= set(document["modes"])
    assert "floor" not in document


def test_is_plain_json_without_infinite_numbers() -> None:
    document = assessment_as_dict(assess([round_off_by((0, 0, 0, 0))], SPECIFICATION))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["corners"]["FL"]["budget"][1]["degrees_of_freedom"] is None


def test_shows_findings_with_their_numbers_and_the_floor() -> None:
    assessment = assess([round_off_by((9.123, -9.0, -9.0, 9.0))], SPECIFICATION, pad_levels_mm=(-6.0, 0, 0, 0))
    document = assessment_as_dict(assessment)
    warp, floor = document["findings"]
    assert (warp["code"], warp["severity"], warp["values"]["warp_mm"]) == ("large_warp", "note", 18.06)
    assert "corner" not in warp
    assert floor["values"]["longitudinal_slope"] == round(-3 / 2885, 5)
    assert document["floor"] == {
        "warp_mm": 3.0,
        "longitudinal_slope": round(-3 / 2885, 5),
        "lateral_slope": round(-3 / 1609, 5),
        "level": False,
    }


def test_names_the_corner_of_a_finding_and_keeps_counts_whole() -> None:
    measured = round_off_by((0, 0, 0, 0))
    pair = replace(measured, readings_mm=((484.0, 488.0), *measured.readings_mm[1:]))
    finding = assessment_as_dict(assess([pair], SPECIFICATION))["findings"][0]
    assert (finding["corner"], finding["values"]["readings"]) == ("FL", 2)
    assert isinstance(finding["values"]["readings"], int)


def test_has_no_negative_zero() -> None:
    document = assessment_as_dict(assess([round_off_by((-0.001, 0, 0, 0))], SPECIFICATION))
    assert math.copysign(1.0, document["corners"]["FL"]["deviation_mm"]) == 1.0


def test_shows_every_figure_of_the_assessment_under_its_name() -> None:
    assessment = assess([round_off_by((11.5, 10.0, 0, 0), identity="r")], SPECIFICATION)
    document = assessment_as_dict(assessment)
    for shown, found in (
        (document["corners"]["FR"], assessment.corners[1]),
        (document["sides"]["front"], assessment.sides[0]),
    ):
        assert [part["component"] for part in shown["budget"]] == [part.name for part in found.budget.components]
        for name in shown.keys() - {"budget"}:
            value = getattr(found, name)
            assert shown[name] == (pytest.approx(value, abs=0.006) if isinstance(value, float) else value), name
    assert document["corners"]["FR"].keys() == {
        "mean_mm",
        "target_mm",
        "deviation_mm",
        "tolerance_mm",
        "readings",
        "rounds",
        "estimator",
        "standard_uncertainty_mm",
        "degrees_of_freedom",
        "coverage_factor",
        "expanded_uncertainty_mm",
        "verdict",
        "conformance_probability",
        "significant",
        "adjustable",
        "freed",
        "read_again",
        "budget",
    }
    assert document["sides"]["front"].keys() == {
        "difference_mm",
        "limit_mm",
        "standard_uncertainty_mm",
        "degrees_of_freedom",
        "coverage_factor",
        "expanded_uncertainty_mm",
        "verdict",
        "significant",
        "adjustable",
        "budget",
    }

"""Readiness checks over HTTP: each record is kept, per item the last outcome counts."""

from __future__ import annotations

from typing import Any

from tests.calibration.api.http_bench import READY, HttpBench
from tests.calibration.api.test_jobs import errors_of


def test_checks_merge_and_each_record_is_kept(bench: HttpBench) -> None:
    bench.open_job()
    first = bench.made(
        f"/jobs/{bench.job}/readiness/", {"checks": {**READY, "leakage": {"outcome": "fail", "note": "Hissing at RR."}}}
    )
    before = bench.state()
    second = bench.made(f"/jobs/{bench.job}/readiness/", {"checks": {"leakage": {"outcome": "pass"}}})
    after = bench.state()

    assert first["checks"]["leakage"] == {"outcome": "fail", "note": "Hissing at RR."}
    assert (before["next_step"], before["next_step_detail"]["reason"]) == ("check_readiness", "readiness_failed")
    assert second["checks"] == {"leakage": {"outcome": "pass", "note": ""}}
    assert after["readiness"] == {
        "ready": True,
        "merged": dict.fromkeys(READY, "pass"),
        "records": [first, second],
    }
    assert after["next_step"] == "measure"
    assert bench.get(f"/jobs/{bench.job}/readiness/").json()["results"] == [first, second]
    assert bench.get(f"/jobs/{bench.job}/readiness/{second['id']}/").json() == second


def test_malformed_checks_are_refused_naming_the_item(bench: HttpBench) -> None:
    bench.open_job()
    bad: dict[str, tuple[Any, str, str]] = {
        "none": ({}, "/checks", "empty"),
        "text": ("all fine", "/checks", "not_an_object"),
        "unknown item": ({"wipers": {"outcome": "pass"}}, "/checks/wipers", "unknown_member"),
        "unknown outcome": ({"floor": {"outcome": "good"}}, "/checks/floor/outcome", "not_allowed"),
        "no outcome": ({"floor": {}}, "/checks/floor/outcome", "required"),
        "outcome alone": ({"floor": "pass"}, "/checks/floor", "not_an_object"),
    }

    answers = {
        name: bench.post(f"/jobs/{bench.job}/readiness/", {"checks": checks}) for name, (checks, *_) in bad.items()
    }

    assert {name: each.status_code for name, each in answers.items()} == dict.fromkeys(bad, 422)
    for name, (_checks, pointer, code) in bad.items():
        assert errors_of(answers[name]) == {(pointer, code)}
    assert bench.get(f"/jobs/{bench.job}/readiness/").json()["results"] == []

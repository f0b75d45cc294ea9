"""Every service in any order by anybody: what must hold does, and from everywhere the next step leads to an end.

LEVELBOOK_HISTORIES=300 runs that many, longer ones, drawn anew each time; a failure is then shrunk.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from calibration.metrology import decision, limits
from calibration.models import Reading
from calibration.rules import content, leaks, next_step, standing
from calibration.rules.record import ReadinessChecked
from calibration.services import step
from fleet import ledger
from tests.calibration.job_machine import SPECIFICATIONS, JobMachine
from tests.calibration.living_vehicle import Reserve
from tests.factories import Site

LONG = "LEVELBOOK_HISTORIES" in os.environ
HISTORIES, STEPS = (int(os.environ["LEVELBOOK_HISTORIES"]), 50) if LONG else (5, 18)


def test_any_history_of_a_job_keeps_its_promises_and_leads_to_an_end(site: Site) -> None:
    reserve = Reserve.of(site)
    people = {"technician": site.technician, "manager": site.manager, "second": site.person("technician")}
    people["deputy"] = site.person("technician", may_approve=True)
    made = {name: site.specification(**changes) for name, changes in SPECIFICATIONS.items()}
    run_state_machine_as_test(
        lambda: JobMachine(site, people, reserve, made),  # type: ignore[arg-type]  # a factory does as well
        settings=settings(
            max_examples=HISTORIES,
            stateful_step_count=STEPS,
            deadline=None,
            derandomize=not LONG,
            database=None,
            phases=(Phase.generate, Phase.shrink) if LONG else (Phase.generate,),
            suppress_health_check=list(HealthCheck),
        ),
    )


# --- the checks themselves find what they are there for --------------------------------------------------
def _run(site: Site, steps: Callable[[JobMachine], None], kind: str = "four corners") -> None:
    """A given history on the machine, with everything that it checks."""
    made = {name: site.specification(**SPECIFICATIONS[name]) for name in ("four corners", "small steps")}
    people = {"technician": site.technician, "manager": site.manager}
    machine = JobMachine(site, people, Reserve.of(site), made)
    machine.arrive(kind, (-20, -20, 0, 0), ("healthy",) * 4, 5, None)
    machine.living.patience = 20
    machine.all_holds()
    steps(machine)
    machine.teardown()


def _adjust(machine: JobMachine) -> None:
    for action in (machine.check_all, machine.measure_once, machine.compute, machine.write_open_proposal):
        action()
        machine.all_holds()


def _unready(machine: JobMachine) -> None:
    machine.measure_once()
    machine.all_holds()


def _dead(machine: JobMachine) -> None:
    machine.living.truth.gain[0] = 0.0
    _adjust(machine)
    for _ in range(2):
        machine.measure_once()
        machine.all_holds()
    machine.compute()


def _leaking(machine: JobMachine) -> None:
    machine.check_all()
    machine.measure_once()
    machine.bench.leak_test({"RL": 40}, hours=24)
    machine.all_holds()
    machine.bench.event("leak_repaired", "RL")
    machine.measure_once()
    machine.check_all()
    machine.all_holds()
    machine.bench.leak_test({"RL": 5}, hours=6)
    machine.all_holds()


def test_the_plain_histories_hold(site: Site) -> None:
    _run(site, _adjust)
    _run(site, _leaking)
    _run(site, _dead)


def _forget_a_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(step.JobStep, "add_readings", lambda self, rows: Reading.objects.bulk_create(rows))


def _skip_the_ledger(monkeypatch: pytest.MonkeyPatch) -> None:
    appended = ledger.append

    def append(actor: Any, kind: str, *args: Any, **fields: Any) -> Any:
        return None if kind == "round_recorded" else appended(actor, kind, *args, **fields)

    monkeypatch.setattr(ledger, "append", append)


def _alter_an_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger, "entry_hash", lambda entry: "0" * 64)


def _drop_the_step_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    bounds = limits._bounds

    def wide(*args: Any) -> Any:
        found = bounds(*args)
        found["step"] = (-10_000, 10_000)
        return found

    monkeypatch.setattr(limits, "_bounds", wide)


def _ignore_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    decide = decision.decide
    monkeypatch.setattr(standing, "decide", lambda *args, **fields: decide(*args, **{**fields, "suspicions": ()}))
    monkeypatch.setattr(next_step, "RULES", tuple(each for each in next_step.RULES if each is not next_step._stopped))


def _need_no_test_after_a_repair(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standing.Standing, "stops", property(_stops_without_those_of_mended_corners))


def _stops_without_those_of_mended_corners(job: Any) -> Any:
    stops = [each for each in job.record.findings if each.severity == "stop" and job.is_live(each)]
    return tuple(each for each in stops if not job.leaks.get(each.corner) or not job.leaks[each.corner].mended_at)


def _take_undecided_for_passed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leaks, "passes", lambda found: found.verdict != "outside")


def _ignore_readiness(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tuple(each for each in next_step.RULES if each is not next_step._not_ready)
    monkeypatch.setattr(next_step, "RULES", kept)


def _leave_readiness_out_of_the_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    details = content._details
    monkeypatch.setattr(content, "_details", lambda fact: None if isinstance(fact, ReadinessChecked) else details(fact))


def _keep_the_state(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(step, "_open_state", lambda standing, case: "open")


def _never_settle(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        next_step, "RULES", (next_step._closed, lambda job: standing.NextStep("measure", "after_start"))
    )


FAULTS = {
    "a row is left out of the ledger": ("never came into the ledger", _forget_a_row, _adjust),
    "a step appends nothing to the ledger": ("never came into the ledger", _skip_the_ledger, _adjust),
    "an entry's hash is not of what it says": ("an entry was altered", _alter_an_entry, _adjust),
    "the step limit is dropped": ("beyond its limits|beyond the step limit", _drop_the_step_limit, _adjust),
    "stops are ignored": ("a stop stands", _ignore_stops, _dead),
    "readiness is ignored": (
        "readiness is undone",
        _ignore_readiness,
        _unready,
    ),
    "a mended corner needs no test": ("no test since its repair passed", _need_no_test_after_a_repair, _leaking),
    "undecided is taken for passed": ("no test since its repair passed", _take_undecided_for_passed, _leaking),
    "the content hash leaves readiness out": ("does not go with the record", _leave_readiness_out_of_the_hash, _adjust),
    "the state is not brought up to date": ("the state is not what happened", _keep_the_state, _adjust),
    "the next step leads nowhere": ("no end in sight", _never_settle, _unready),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found(site: Site, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    message, plant, steps = FAULTS[fault]
    plant(monkeypatch)
    with pytest.raises(AssertionError, match=message):
        _run(site, steps)

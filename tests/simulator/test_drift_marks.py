"""The command of the drift marks: its figures on small fleets, and that its scales can tell good from bad."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.metrology.drift_alerts import ALERT_RULES
from calibration.metrology.drift_charts import ChartRules
from tests.simulator.drift_marks import (
    KINDS,
    RANDOM_SEED,
    Setting,
    check_days,
    false_alerts,
    follow_quiet,
    follow_ramps,
    follow_steps,
    main,
    step_found,
    warned_checks_ahead,
)

DEAF = ChartRules(50.0, 1e9, 50.0, 1e9)
NEVER = Setting(rules=replace(ALERT_RULES, trend_probability=2.0), charts=DEAF)
ALWAYS = Setting(rules=replace(ALERT_RULES, trend_probability=0.02, trend_direction=0.0))


def test_the_command_prints_every_mark_with_sample_and_interval(capsys: pytest.CaptureFixture[str]) -> None:
    ended = main(["--vehicles", "300", "--random-seed", "7"])
    printed = capsys.readouterr().out.splitlines()
    assert "300 vehicles a fleet, random seed 7" in printed[0]
    marked = [line for line in printed if line.endswith(("met", "MISSED"))]
    assert len(marked) == 3
    assert all("[" in line and (" of " in line or "years" in line) for line in printed[2:])
    assert (ended == 1) == any(line.endswith("MISSED") for line in marked)


def test_rules_that_never_warn_and_rules_that_always_do_are_told_apart() -> None:
    never, always = (false_alerts(follow_quiet(RANDOM_SEED, 200, each))[0]["trend"] for each in (NEVER, ALWAYS))
    ramps = [warned_checks_ahead(follow_ramps(RANDOM_SEED, 200, each), ("trend",)) for each in (NEVER, ALWAYS)]
    assert (never, always > 40) == (0, True)
    assert (ramps[0] >= 1).mean() == 0.0
    assert (ramps[1] >= 1).mean() > 0.97


def test_steps_are_found_by_the_chart_and_not_without_it() -> None:
    followed, at = follow_steps(RANDOM_SEED, 300, Setting())
    assert step_found(followed, at, KINDS[:3]).mean() > 0.95
    assert step_found(followed, at, ("step",)).mean() > 0.8
    assert not step_found(*follow_steps(RANDOM_SEED, 50, NEVER), ("step",)).any()
    # Nothing that was found before the step is counted.
    before = np.array([followed.found["step"][:step, vehicle, 0].any() for vehicle, step in enumerate(at)])
    assert before.mean() < 0.03


def test_checks_come_every_sixty_days_give_or_take_twenty() -> None:
    gaps = np.diff(check_days(np.random.default_rng(1), 500, 20), axis=0)
    assert (gaps.min() >= 40.0, gaps.max() <= 80.0) == (True, True)
    assert gaps.mean() == pytest.approx(60.0, abs=0.5)

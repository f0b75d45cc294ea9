"""A few vehicles that come again, and a model whose specification is wrong: what is learned pays, and forgetting shows.

So few vehicles differ too much in writes; how near a job's prior was to the truth tells the same sooner. The marks
themselves are of the long version, `python -m tests.simulator.learning`.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tests.simulator.learning import Work, later_marks, later_visits, wrong_specification

RANDOM_SEED = 90417
VEHICLES = 12
TEACHING = 10


def error(works: Iterable[Work]) -> float:
    """Root mean square of the priors' errors over all corners, in standard deviations of the specification."""
    return float(np.sqrt(np.mean([each**2 for work in works for each in work.prior_errors])))


def test_a_later_visit_begins_nearer_to_the_truth_than_where_all_is_forgotten() -> None:
    remembered, forgotten = (later_visits("saloon", VEHICLES, RANDOM_SEED, learns) for learns in (True, False))
    ratio, within, *_stopped = later_marks(remembered)
    assert ratio.met, ratio.line()
    assert within.met, within.line()
    assert error(remembered) < 0.88 * error(forgotten)


def test_vehicles_make_up_for_a_wrong_specification_and_forgetting_does_not() -> None:
    learned, unlearned = (
        wrong_specification("saloon", 0.8, RANDOM_SEED, 1, learns, TEACHING) for learns in (True, False)
    )
    assert error(wrong for wrong, _right in learned) < 1.15 * error(right for _wrong, right in learned)
    assert error(wrong for wrong, _right in unlearned) > 1.5 * error(right for _wrong, right in unlearned)

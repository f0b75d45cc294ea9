"""Which readings make a balanced study."""

from __future__ import annotations

import random
from uuid import UUID

import numpy as np
import pytest

from calibration.metrology.gauge_study import study
from calibration.rules.gauge_cells import StudyReading, balanced_cells
from tests.metrology.reference import reference_json, reference_rows

JOB, TAPE, OTHER_TAPE = (UUID(int=number) for number in (1, 2, 3))
KIM, JO, SAM = (UUID(int=number) for number in (11, 12, 13))
CORNERS = ("FL", "FR", "RL", "RR")


def reading(corner: str, person: UUID, deviation_mm: float, instrument: UUID = TAPE, job: UUID = JOB) -> StudyReading:
    return StudyReading((job, corner), person, instrument, deviation_mm)


def all_round(person: UUID, *deviations_mm: float, instrument: UUID = TAPE) -> list[StudyReading]:
    return [reading(corner, person, each, instrument) for corner in CORNERS for each in deviations_mm]


def test_the_published_study_comes_out_of_its_readings_in_any_order_of_parts() -> None:
    """AIAG MSA, 4th edition: 10 parts, 3 appraisers, 3 trials, as two public test suites quote it."""
    people = {"A": KIM, "B": JO, "C": SAM}
    rows = [
        StudyReading((UUID(int=100 + int(row["part"])), "FL"), people[row["appraiser"]], TAPE, float(row["value"]))
        for row in reference_rows("gage_rr_data.csv")
    ]
    by_part: dict[object, list[StudyReading]] = {}
    for row in rows:
        by_part.setdefault(row.part, []).append(row)
    parts = list(by_part)
    random.Random(20261126).shuffle(parts)  # noqa: S311
    cells = balanced_cells([each for part in parts for each in by_part[part]])
    assert cells is not None
    assert cells.deviations_mm.shape == (10, 3, 3)
    published = reference_json("gage_rr_results.json")
    found = study(cells.deviations_mm)
    assert found.table[0].sum_of_squares == pytest.approx(published["anova_table"]["SS"]["part"], abs=5.1e-5)
    assert found.measurement.standard_deviation_mm == pytest.approx(published["pooled"]["GRR"], abs=1.6e-6)


def test_who_did_not_read_every_corner_twice_is_left_out_and_named() -> None:
    given = [*all_round(KIM, 0.0, 1.0), *all_round(JO, 2.0, 1.0), reading("FL", SAM, 5.0), reading("FL", SAM, 5.0)]
    cells = balanced_cells(given)
    assert cells is not None
    assert (cells.people, cells.left_out) == ((KIM, JO), (SAM,))


def test_of_more_readings_than_all_have_the_first_ones_count() -> None:
    cells = balanced_cells([*all_round(KIM, 0.0, 1.0, 9.0), *all_round(JO, 2.0, 3.0)])
    assert cells is not None
    assert cells.replicates == 2
    assert cells.deviations_mm[0].tolist() == [[0.0, 1.0], [2.0, 3.0]]


def test_instruments_with_which_all_measured_everything_are_a_factor_of_their_own() -> None:
    with_both = [
        each
        for person, first in ((KIM, 0.0), (JO, 10.0))
        for instrument, more in ((TAPE, 0.0), (OTHER_TAPE, 100.0))
        for each in all_round(person, first + more, first + more + 1, instrument=instrument)
    ]
    cells = balanced_cells(with_both)
    assert cells is not None
    assert cells.instruments == (TAPE, OTHER_TAPE)
    assert cells.deviations_mm.shape == (4, 2, 2, 2)
    assert np.array_equal(cells.deviations_mm[3, 1, 1], [110.0, 111.0])


def test_another_instrument_of_one_person_is_no_factor() -> None:
    cells = balanced_cells([*all_round(KIM, 0.0, 1.0), *all_round(JO, 2.0, 3.0, instrument=OTHER_TAPE)])
    assert cells is not None
    assert cells.instruments == ()
    assert cells.deviations_mm.shape == (4, 2, 2)


@pytest.mark.parametrize(
    "given",
    [
        [],
        all_round(KIM, 0.0, 1.0),
        [*all_round(KIM, 0.0, 1.0), *all_round(JO, 2.0)],
        [reading("FL", person, value) for person in (KIM, JO) for value in (0.0, 1.0)],
    ],
)
def test_too_little_makes_none(given: list[StudyReading]) -> None:
    assert balanced_cells(given) is None

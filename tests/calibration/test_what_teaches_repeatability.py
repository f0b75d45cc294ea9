"""What a person's repeatability is learned from: careful repeated readings, and neither slips nor nonsense."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from calibration.models import Reading, RepeatabilitySums
from calibration.services.repeatability import learn_anew
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    return bench


def readings(**corners: tuple[float, ...]) -> list[dict[str, Any]]:
    heights = {corner: (height, height) for corner, height in TRUE_HEIGHTS.items()} | corners
    return [{"corner": c, "height_mm": Decimal(str(h)), "confirmed": True} for c, each in heights.items() for h in each]


def taught(bench: Bench) -> tuple[float, int, int, int]:
    sums = RepeatabilitySums.objects.get(membership=bench.technician.membership)
    return sums.sum_of_squares_mm2, sums.degrees_of_freedom, sums.groups, sums.slips


def of_corner(corner: str) -> list[Reading]:
    return list(Reading.objects.filter(corner=corner).order_by("ordinal"))


def test_a_height_of_another_unit_that_was_confirmed_teaches_nothing(bench: Bench) -> None:
    bench.measure(readings=readings(FL=(18.9, 19.1)))
    assert taught(bench) == (0, 3, 3, 0)


def test_a_confirmation_that_was_not_needed_keeps_nothing_from_being_learned(bench: Bench) -> None:
    bench.measure(readings=readings(FL=(485, 487)))
    assert taught(bench) == (2, 4, 4, 0)


def test_nonsense_beside_a_true_height_is_a_slip(bench: Bench) -> None:
    bench.measure(readings=readings(FL=(18.9, 486)))
    assert taught(bench) == (0, 3, 4, 1)


def test_a_pair_of_which_one_was_struck_out_is_a_slip_and_no_more_careful_work(bench: Bench, site: Site) -> None:
    bench.measure(readings=readings(FL=(483, 487), FR=(485, 487)))
    assert taught(bench) == (10, 4, 4, 0)
    bench.strike(of_corner("FL")[0].pk, 487, site.manager)
    assert taught(bench) == (2, 3, 4, 1)
    bench.strike(of_corner("FL")[1].pk, 487, site.manager)
    assert taught(bench) == (2, 3, 4, 1)


def test_what_was_learned_before_and_since_stays_learned(bench: Bench, site: Site) -> None:
    bench.measure(readings=readings(RL=(503, 505)))
    bench.measure(readings=readings(FL=(483, 487)))
    bench.measure(readings=readings(RR=(504, 505)))
    struck = next(each for each in of_corner("FL") if each.height_mm == 483)
    bench.strike(struck.pk, 487, site.manager)
    assert taught(bench) == (2.5, 11, 12, 1)


def test_a_strike_in_a_record_that_was_sent_twice_changes_nothing(bench: Bench, site: Site) -> None:
    measured = bench.measure(readings=readings(FL=(483, 487)))
    again = bench.measure(readings=readings(FL=(483, 487)), taken_at=measured.taken_at)
    assert again.repeats_id == measured.pk
    before = taught(bench)
    struck = next(each for each in of_corner("FL") if each.round_id == again.pk)
    bench.strike(struck.pk, 487, site.manager)
    assert taught(bench) == before


def test_all_records_together_give_what_was_learned_step_by_step(bench: Bench) -> None:
    """A reading that nobody struck out: made again, the sums are as they were."""
    for pair in ((483, 487), (486, 487), (480, 490), (18.9, 18.9)):
        bench.measure(readings=readings(FL=pair))
    bench.read_again("FR", 485, 487)
    before = taught(bench)
    learn_anew(of_corner("RL")[0])
    assert taught(bench) == before


def test_a_struck_reading_weighs_on_no_later_round(bench: Bench, site: Site) -> None:
    bench.measure(readings=readings(FL=(482, 487)))
    bench.strike(of_corner("FL")[0].pk, 487, site.manager)
    later = bench.measure()
    assert later.repeatability["degrees_of_freedom"] == 8 + 3
    assert later.repeatability["standard_deviation_mm"] < 1

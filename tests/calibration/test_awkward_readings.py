"""Readings that disagree, are struck, cannot be, or were taken with an instrument that is no longer trusted."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from calibration.rules.texts import finding_detail
from fleet import services as fleet_services
from fleet.errors import Conflict, Forbidden, Invalid, NotFound
from fleet.ids import new_id
from tests.calibration.bench import COUNTS, TRUE_HEIGHTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    return bench


def readings(**corners: tuple[float, ...]) -> list[dict[str, Any]]:
    heights = {corner: (height, height) for corner, height in TRUE_HEIGHTS.items()} | corners
    return [{"corner": c, "height_mm": Decimal(str(h)), "confirmed": True} for c, each in heights.items() for h in each]


# --- the repeat rule (ISO 5725-6) -----------------------------------------------------------------------
@pytest.mark.parametrize(("further", "estimator"), [((485, 486), "mean"), ((486, 486), "median")])
def test_a_pair_that_disagrees_is_read_twice_more_and_then_judged(
    bench: Bench, further: tuple[float, float], estimator: str
) -> None:
    """2.8 s_r is 2.8 mm at the prior; four readings may spread by 3.6 s_r, else their median counts."""
    slip = (484, 487) if estimator == "mean" else (484, 494)
    bench.measure(readings=readings(FL=slip))
    assert (bench.next_step, bench.reason) == ("read_again", "pair_disagrees")
    assert bench.standing.next_step.corners == ("FL",)
    assert bench.standing.assessment is not None
    assert bench.standing.assessment.corner("FL").read_again == 2
    assert "pair_disagrees" in bench.codes()
    bench.read_again("FL", *further)
    assert bench.standing.assessment.corner("FL").estimator == estimator
    assert bench.next_step != "read_again"
    [found] = [each for each in bench.standing.record.findings if each.code == "pair_disagrees"]
    assert not bench.standing.is_live(found), "nothing is to be read any more"


def test_four_readings_that_disagree_from_the_start_keep_the_note_that_their_median_counts(bench: Bench) -> None:
    bench.measure(readings=readings(FL=(484, 494, 486, 486)))
    assert bench.next_step != "read_again"
    [found] = [each for each in bench.standing.record.findings if each.code == "pair_disagrees"]
    assert bench.standing.is_live(found)
    told = finding_detail(found.code, found.corner, found.values)
    assert told == "FL: the 4 readings differ by 10 mm; so many may differ by at most 3.6 mm. Their median counts."


def test_a_reading_more_for_a_round_beyond_twenty_is_given_back(bench: Bench) -> None:
    measured = bench.measure(readings=readings(FL=(486,) * 20))
    with pytest.raises(Invalid) as refusal:
        bench.read_again("FL", 486, measured=measured)
    assert refusal.value.errors[0].code == "readings_per_corner"


def test_a_round_with_one_reading_or_an_unknown_corner_is_given_back(bench: Bench) -> None:
    with pytest.raises(Invalid) as refusal:
        bench.measure(readings=readings(FL=(486,)))
    assert refusal.value.errors[0].code == "readings_per_corner"
    with pytest.raises(Invalid) as refusal:
        bench.measure(readings=[*readings(), {"corner": "XX", "height_mm": Decimal(486)}])
    assert refusal.value.errors[0].code == "unknown_corner"
    assert bench.case.rounds == []


@pytest.mark.parametrize(
    ("height", "code", "hint"),
    [
        (19.1, "confirm_height", "inches"),
        (48.6, "confirm_height", "centimetres"),
        (650, "confirm_height", "confirmed"),
        (3500, "beyond_instrument", "longer"),
        (0, "not_positive", "above 0"),
    ],
)
def test_heights_that_cannot_be_are_given_back(bench: Bench, height: float, code: str, hint: str) -> None:
    with pytest.raises(Invalid) as refusal:
        bench.measure({"FL": height})
    assert {each.code for each in refusal.value.errors} == {code}
    assert all(hint in f"{each.detail} {each.to_programs}" for each in refusal.value.errors)


def test_a_height_far_from_target_is_taken_when_it_is_confirmed(bench: Bench) -> None:
    bench.measure(readings=readings(FL=(650, 650)))
    assert len(bench.case.rounds) == 1


# --- strikes --------------------------------------------------------------------------------------------
def first_reading(bench: Bench) -> Any:
    return bench.case.rounds[0].reading_rows[0]  # type: ignore[attr-defined]


def test_ones_own_reading_is_struck_by_another_person_once_its_verdict_was_shown(site: Site, bench: Bench) -> None:
    bench.measure(readings=readings(FL=(496, 486)))
    wrong = first_reading(bench)
    with pytest.raises(Forbidden) as refusal:
        bench.strike(wrong.pk, 486)
    assert refusal.value.code == "not_independent"
    bench.strike(wrong.pk, 486, site.person("technician"))
    assert bench.next_step == "sign_off"
    struck = next(each for each in bench.standing.course.rounds[0].readings if each.id == wrong.pk)
    assert struck.struck, "it stays visible"
    with pytest.raises(Conflict) as again:
        bench.strike(wrong.pk, 486, site.manager)
    assert again.value.code == "struck_already"


def test_ones_own_reading_without_a_verdict_is_struck_by_oneself(bench: Bench) -> None:
    bench.measure(readings=readings(FL=(496, 486)), settled=False)
    bench.strike(first_reading(bench).pk, 486)
    assert len(bench.case.strikes) == 1


def test_after_sign_off_a_manager_strikes(site: Site, bench: Bench) -> None:
    bench.measure()
    bench.sign_off()
    reading = first_reading(bench)
    with pytest.raises(Forbidden) as refusal:
        bench.strike(reading.pk, 487, site.person("technician"))
    assert refusal.value.code == "manager_needed"
    bench.strike(reading.pk, 487, site.manager)
    assert bench.case.job.state == "signed_off"
    assert "recorded_after_close" in bench.codes()


def test_what_is_not_there_is_not_found(bench: Bench) -> None:
    with pytest.raises(NotFound):
        bench.strike(new_id(), 486)


def test_a_replacement_that_cannot_be_is_given_back_and_strikes_nothing(site: Site, bench: Bench) -> None:
    bench.measure()
    with pytest.raises(Invalid) as refusal:
        bench.strike(first_reading(bench).pk, 19, site.manager)
    assert refusal.value.errors[0].pointer == "/replacement/height_mm"
    assert bench.case.strikes == []


def test_an_integration_must_say_who_measured(site: Site, bench: Bench) -> None:
    from fleet.actor import Actor

    with pytest.raises(Invalid) as refusal:
        _round_by(bench, Actor.system(site.workshop.pk, bench.tick()))
    assert {each.code for each in refusal.value.errors} == {"required"}


def _round_by(bench: Bench, actor: Any) -> None:
    from calibration.services import rounds

    rounds.round_record(
        actor=actor,
        record_id=new_id(),
        job_id=bench.job.pk,
        taken_at=actor.now,
        instrument=bench.instrument,
        setpoints=bench.setpoints,
        readings=readings(),
    )


# --- instruments ----------------------------------------------------------------------------------------
def test_an_overdue_instrument_is_a_finding(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    long_ago = site.began_at.date() - timedelta(days=500)
    bench.measure(instrument=site.instrument(calibrated_on=long_ago, calibration_due_on=long_ago + timedelta(days=365)))
    assert "instrument_overdue" in bench.codes()
    assert bench.reason == "rulings_missing"


def test_a_withdrawn_instrument_is_a_finding(site: Site, bench: Bench) -> None:
    fleet_services.instrument_withdraw(
        actor=bench.actor(site.manager),
        record_id=new_id(),
        instrument=bench.instrument,
        kind="found_out",
        since=bench.now.date() - timedelta(days=1),
        reason="end hook bent",
    )
    bench.measure()
    assert "instrument_withdrawn" in bench.codes()


def test_a_calibration_after_the_withdrawal_returns_it_to_use(site: Site, bench: Bench) -> None:
    fleet_services.instrument_withdraw(
        actor=bench.actor(site.manager),
        record_id=new_id(),
        instrument=bench.instrument,
        kind="found_out",
        since=bench.now.date() - timedelta(days=1),
        reason="end hook bent",
    )
    fleet_services.instrument_calibrate(
        actor=bench.actor(site.manager),
        record_id=new_id(),
        instrument=bench.instrument,
        calibrated_on=bench.now.date(),
        calibration_due_on=bench.now.date() + timedelta(days=365),
    )
    bench.measure()
    assert "instrument_withdrawn" not in bench.codes()


def test_each_corner_may_name_who_measured_with_what(site: Site, bench: Bench) -> None:
    second, laser = site.person("technician"), site.instrument(kind="laser")
    mixed = readings()
    for each in mixed:
        if each["corner"] == "RR":
            each |= {"measured_by": second.membership, "instrument": laser}
    measured = bench.measure(readings=mixed)
    assert {each["serial"] for each in measured.instruments} == {bench.instrument.serial, laser.serial}


# --- baseline -------------------------------------------------------------------------------------------
def visit(site: Site, bench: Bench, **moved: int) -> Bench:
    """Another job on the same vehicle, with set-points moved by so much."""
    again = Bench.open(site, bench.vehicle, setpoints=bench.setpoints)
    again.now = max(again.now, bench.now)
    again.ready()
    again.measure({"FL": 470})
    return again


@pytest.fixture
def shifted(site: Site) -> Bench:
    """A vehicle whose FL was moved to the review threshold at its first visit."""
    model = site.specification(shift_review_counts=10, shift_limit_counts=25, step_max_counts=10).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model))
    bench.ready()
    bench.measure({"FL": 470})
    bench.write(bench.enter(FL=130))
    bench.end()
    return bench


def test_shift_limits_count_from_the_first_set_points_however_many_visits(site: Site, shifted: Bench) -> None:
    again = visit(site, shifted)
    assert again.enter(FL=131).outcome == "needs_approval"
    assert again.enter(FL=140).outcome == "needs_approval"
    again.write(again.case.proposals[-1], {**again.setpoints, "FL": 140})
    again.measure({"FL": 470})
    assert again.enter(FL=146).outcome == "refused"


def test_a_replaced_sensor_starts_a_new_baseline_at_its_corner(site: Site, shifted: Bench) -> None:
    shifted.event("sensor_replaced", "FL")
    again = visit(site, shifted)
    assert again.standing.record.baseline == {"FL": 130, "FR": 120, "RL": 118, "RR": 121}
    assert again.enter(FL=131).outcome == "allowed"


def test_a_replacement_dated_in_the_future_does_not_let_the_baseline_follow_every_job(
    site: Site, shifted: Bench
) -> None:
    shifted.event("sensor_replaced", "FL", happened_at=shifted.actor().now + timedelta(days=300))
    for count in (130, 149):
        shifted.setpoints = {**shifted.setpoints, "FL": count}
        later = visit(site, shifted)
        later.end()
    assert later.standing.record.baseline["FL"] == 130


def test_a_managers_reset_starts_a_new_baseline(site: Site, shifted: Bench) -> None:
    from calibration.services import jobs

    actor = shifted.actor(site.manager)
    jobs.baseline_reset(
        actor=actor, record_id=new_id(), vehicle=shifted.vehicle, corners=["FL"], reason="bracket renewed"
    )
    assert visit(site, shifted).enter(FL=131).outcome == "allowed"


def test_a_technician_resets_no_baseline_and_nobody_an_unknown_corner(site: Site, shifted: Bench) -> None:
    from calibration.services import jobs

    values: dict[str, Any] = {"vehicle": shifted.vehicle, "reason": "bracket renewed"}
    with pytest.raises(Forbidden):
        jobs.baseline_reset(actor=shifted.actor(), record_id=new_id(), corners=["FL"], **values)
    with pytest.raises(Invalid):
        jobs.baseline_reset(actor=shifted.actor(site.manager), record_id=new_id(), corners=["XX"], **values)


def test_a_count_that_the_unit_cannot_hold_is_learned_from_by_nobody(site: Site) -> None:
    """999 keyed for 120: the job asks for the counts again, and neither sensor nor baseline suffers."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470}, setpoints={**COUNTS, "FL": 999})
    assert (bench.next_step, bench.reason) == ("measure", "setpoints_incomplete")
    bench.measure({"FL": 470})
    bench.measure({"FL": 470})
    assert bench.next_step == "propose"
    assert not {"corner_not_responding", "corner_weak", "corner_reversed"} & set(bench.codes())
    assert bench.case.baseline == COUNTS
    changes = bench.propose().content["changes"]
    assert changes["FL"]["to"] > changes["FL"]["from"]
    assert changes["FR"]["to"] == changes["FR"]["from"]


def test_a_count_misread_within_the_range_accuses_no_sensor(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470}, setpoints={**COUNTS, "FL": 145})
    bench.measure({"FL": 470})
    bench.measure({"FL": 470})
    assert "setpoints_changed_elsewhere" in bench.codes()
    assert not {"corner_not_responding", "corner_weak", "corner_reversed"} & set(bench.codes())
    assert bench.next_step == "propose"

"""Times of a document and of pages are those that count, whatever the tablet's clock showed."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from django.test import Client
from django.utils import timezone
from django.utils.formats import date_format

from fleet.looks import dates
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of

from .jobs import LOW_FRONT_LEFT, WITHIN, Bench
from .rendering import rendered_text
from .snapshots import document

CLOCKS = {"30 hours slow": timedelta(hours=30), "3 hours fast": timedelta(hours=-3)}
MINUTE = timedelta(minutes=1)


@pytest.fixture(params=list(CLOCKS))
def bench(site: Site, request: pytest.FixtureRequest) -> Bench:
    """A tablet whose clock is wrong and was measured with every request."""
    bench = Bench.at(site, clock_is_slow_by=CLOCKS[request.param])
    bench.receive()
    bench.check_readiness()
    return bench


def test_a_document_gives_every_measurement_and_write_its_true_time(bench: Bench) -> None:
    bench.measure(LOW_FRONT_LEFT)
    found_at = bench.now
    proposal = bench.propose()
    bench.write(proposal, proposal.to_setpoints)
    written_at = bench.now
    bench.measure(WITHIN)
    left_at = bench.now
    bench.sign_off()
    found = document(bench)
    assert [each.taken_at for each in found.rounds] == [found_at, left_at]
    assert [each.written_at for each in found.writes] == [written_at]
    assert found.as_found is not None
    assert found.as_left is not None
    assert (found.as_found.taken_at, found.as_left.taken_at) == (found_at, left_at)
    assert found_at.astimezone(found.rounds[0].taken_at.tzinfo).strftime("%H:%M") in rendered_text(found)


def test_a_document_gives_a_leak_test_its_true_period(bench: Bench) -> None:
    bench.measure(WITHIN)
    test = bench.leak_test(hours=2)
    bench.end()
    [told] = document(bench).leak_tests
    assert test.ended_at != bench.now  # negative control: what the tablet noted is another time
    assert (told.ended_at, told.ended_at - told.started_at) == (test.happened_at, 2 * 60 * MINUTE + MINUTE)
    assert abs(told.ended_at - (bench.now - 2 * MINUTE)) <= MINUTE


def test_what_settled_a_finding_is_told_with_its_true_time(bench: Bench) -> None:
    bench.measure(WITHIN, spread={"RL": 30})
    bench.measure(WITHIN)
    again_at = bench.now
    bench.end("Enough.")
    [pair] = [each for each in document(bench).findings if each.code == "pair_disagrees"]
    assert f"measured again in round 2 by {bench.site.technician.membership.name}, {stamp(again_at)}" in pair.settled


def test_a_record_sent_once_more_is_told_with_the_true_time_of_the_first(bench: Bench) -> None:
    first = bench.measure(WITHIN)
    measured_at = bench.now
    bench.measure(WITHIN, taken_at=first.taken_at)
    bench.end("Enough.")
    [repeat] = [each for each in document(bench).findings if each.code == "repeats_earlier_record"]
    assert f"The record of {stamp(measured_at)} was received" in repeat.detail


def test_pages_of_job_and_vehicle_give_a_leak_test_its_true_period(bench: Bench) -> None:
    bench.measure(WITHIN)
    test = bench.leak_test(hours=2)
    browser = browser_of(bench.site.technician)
    for path in (f"/jobs/{bench.job_id}/", f"/vehicles/{bench.vehicle.vin}/"):
        assert f"{shown(test.happened_at - 121 * MINUTE)} – {shown(test.happened_at)}" in text_of(browser, path), path


def stamp(at: datetime) -> str:
    return dates.day_and_time(at)


def shown(at: datetime) -> str:
    return date_format(timezone.localtime(at), "SHORT_DATETIME_FORMAT")


def text_of(browser: Client, path: str) -> str:
    return str(browser.get(path).content.decode())

"""Leak tests on paper: what was measured, what it says, what is to be mended, and what settled a finding."""

from __future__ import annotations

import pytest

from fleet import services
from fleet.ids import new_id
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from reports.certificate import document as doc
from tests.factories import Site

from .jobs import WITHIN, Bench
from .rendering import rendered_text
from .snapshots import document, inside


@pytest.fixture
def bench(site: Site) -> Bench:
    vehicle = site.vehicle(vehicle_model=site.specification(leak_limit_mm_per_h=1, air_column_mm=300).vehicle_model)
    bench = Bench.at(site, vehicle=vehicle)
    bench.receive()
    bench.check_readiness()
    bench.measure(WITHIN)
    return bench


def statuses(found: doc.Document, code: str) -> set[tuple[str | None, str]]:
    return {(each.corner, each.status) for each in found.findings if each.code == code}


def test_a_leak_is_reported_with_its_rate_and_what_is_to_be_mended(bench: Bench) -> None:
    bench.leak_test(RL=30, degrees=(14, 14))
    bench.end("A leak.")
    found = document(bench)
    (test,) = found.leak_tests
    text = rendered_text(found)

    assert test.corners["RL"].verdict == "outside"
    assert test.corners["RL"].rate_mm_per_h == pytest.approx(30 / 12, abs=0.02)
    assert (test.limit_mm_per_h, test.temperature_corrected) == (1.0, True)
    assert statuses(found, "leak_outside") == {("RL", "open")}
    assert found.ending is not None
    assert "Rear left sinks faster than it may: have the leak repaired." in found.ending.to_mend
    assert "Leak tests: sinking in mm per hour" in text
    assert "+2.5 ± 0.3 outside" in text
    assert bench.instrument.serial in {each.serial for each in found.instruments}


def test_one_that_was_mended_and_passed_a_test_is_settled_by_that_test(bench: Bench) -> None:
    bench.leak_test(RL=30)
    inside(
        bench,
        services.event_record,
        record_id=new_id(),
        vehicle=bench.vehicle,
        kind="leak_repaired",
        corner="RL",
        happened_at=bench.now,
        note="",
    )
    bench.leak_test(hours=24)
    bench.check_readiness()
    bench.measure(WITHIN)
    bench.sign_off()
    found = document(bench)
    (told,) = [each for each in found.findings if each.code == "leak_outside"]

    assert [test.corners["RL"].verdict for test in found.leak_tests] == ["outside", "within"]
    assert told.status == "settled"
    assert told.settled.startswith("tested for leaks again by ")
    assert "not corrected for temperature" in rendered_text(found)


def test_without_a_limit_the_rates_stand_alone(site: Site) -> None:
    vehicle = site.vehicle(vehicle_model=site.specification(leak_limit_mm_per_h=None).vehicle_model)
    bench = Bench.at(site, vehicle=vehicle)
    bench.receive()
    bench.leak_test(RL=30)
    bench.end("Only wanted to know.")
    found = document(bench)

    assert (found.leak_tests[0].limit_mm_per_h, found.leak_tests[0].corners["RL"].verdict) == (None, None)
    assert "+2.5 ± 0.3 not judged" in rendered_text(found)


def test_in_german_it_is_german(bench: Bench) -> None:
    with in_workshop(bench.site.workshop.pk):
        Workshop.objects.filter(pk=bench.site.workshop.pk).update(language="de")
    bench.leak_test(RL=30)
    bench.end("Undicht.")
    text = rendered_text(document(bench))

    assert "Dichtheitsprüfungen: Absinken in mm je Stunde" in text
    assert "nicht temperaturkorrigiert" in text

"""One vehicle: its heights drawn and tabled, its set-points, tyres, papers, and all that happened in sentences."""

from __future__ import annotations

import re
from datetime import timedelta
from xml.etree import ElementTree

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet import services
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Vehicle, Workshop
from fleet.tenancy import in_workshop
from reports.services.alerts import vehicle_evaluate
from tests.factories import SPECIFICATION, Site
from tests.fleet.signin.browsers import browser_of
from tests.reports import drifting, jobs

from .conftest import AtWork

QUERIES = 48
SVG = "{http://www.w3.org/2000/svg}"


def page_of(browser: Client, at_work: AtWork) -> str:
    answer = browser.get(f"/vehicles/{at_work.done.vehicle.vin}/")
    assert answer.status_code == 200
    return str(answer.content.decode())


def charts_in(page: str) -> list[ElementTree.Element]:
    return [ElementTree.fromstring(found) for found in re.findall(r"<svg xmlns=.*?</svg>", page, re.DOTALL)]  # noqa: S314


def test_each_corner_is_drawn_with_title_description_and_table(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager, at_work)
    charts = charts_in(page[: page.index('id="setpoints"')])
    assert len(charts) == 4
    titles = [chart.findtext(f"{SVG}title") for chart in charts]
    assert titles[0] == "Front left: heights from round to round"
    described = charts[0].findtext(f"{SVG}desc") or ""
    assert "The first found 470.5 mm, the last 486.5 mm: within." in described
    assert "The target is 486.0 ± 6.0 mm. Set-points: 128 → 147." in re.sub(r"→ \d+", "→ 147", described)
    assert page.count("as a table</summary>") == 4
    assert "470.5" in page
    on_page = charts_in(page)
    assert len({chart.get("aria-labelledby") for chart in on_page}) == len(on_page), "ids are unique on the page"


def test_the_operators_name_leads_to_all_their_vehicles(manager: Client, at_work: AtWork) -> None:
    operator = at_work.done.vehicle.operator
    assert f'<a href="/operators/{operator.pk}/summary/">{operator.name}</a>' in page_of(manager, at_work)


def test_every_change_of_a_set_point_says_from_to_when_who_and_why(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager, at_work)
    table = page[page.index('id="setpoints"') : page.index('id="tyres"')]
    assert "Front left" in table
    assert re.search(r"128 → <strong>1\d\d</strong>", table)
    assert "470.5 → 486.5" in table
    assert at_work.site.technician.membership.name in table
    assert "from its target" in table
    assert re.search(r'<time datetime="\d{4}-', table)


def test_what_was_changed_elsewhere_is_said_to_be_found(manager: Client, at_work: AtWork) -> None:
    bench = jobs.Bench.at(at_work.site, vehicle=at_work.done.vehicle)
    bench.now = at_work.done.now
    bench.counts = {**at_work.done.counts, "RR": 99}
    bench.receive()
    bench.measure(jobs.WITHIN)
    assert "found changed, not written in a job" in page_of(manager, at_work)


def test_tyres_papers_jobs_and_specification_are_there(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager, at_work)
    for words in (
        "255/60R18",
        "112V",
        'href="/certificates/1/"',
        f'href="/jobs/{at_work.done.job_id}/"',
        "Revision 1 since",
        "Brae workshop manual, issue 4, p. 112",
        f'href="/bench/#/vehicle/{at_work.done.vehicle.vin}"',
    ):
        assert words in page, words


def test_all_that_happened_is_told_in_sentences_newest_first(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager, at_work)
    told = re.findall(r"<p>(.*?)</p>", page[page.index('class="timeline"') :])
    assert told[0].startswith("Certificate no. 1 issued.")
    assert told[-1].startswith("Vehicle added with VIN") or told[-2].startswith("Vehicle added with VIN")
    assert any("signed off as complete" in line for line in told)
    assert not any(line.startswith(("{", "[")) for line in told)


def test_a_vehicle_without_a_specification_is_drawn_without_verdict(manager: Client, site: Site) -> None:
    vehicle = site.vehicle(vehicle_model=site.vehicle_model())
    bench = jobs.Bench.at(site, vehicle=vehicle)
    bench.receive()
    bench.measure(jobs.LOW_FRONT_LEFT)
    page = str(manager.get(f"/vehicles/{vehicle.vin}/").content.decode())
    assert len(charts_in(page)) == 4
    assert "470.5" in page
    assert "not judged" in page
    assert "None: heights are recorded without a verdict" in page


def checked_without_specification(site: Site, front_right: float = 486.0) -> Vehicle:
    vehicle = site.vehicle(vehicle_model=site.vehicle_model())
    drifting.checked(site, vehicle, days_ago=0.5, FR=front_right)
    return vehicle


def specified(site: Site, vehicle: Vehicle) -> None:
    """Now, and in force since long before anything was measured."""
    with in_workshop(site.workshop.pk):
        services.specification_add(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle_model=vehicle.vehicle_model,
            specification=SPECIFICATION,
        )


def test_a_check_without_a_specification_says_why_it_has_no_verdict_and_what_to_do(manager: Client, site: Site) -> None:
    vehicle = checked_without_specification(site)
    page = manager.get(f"/vehicles/{vehicle.vin}/").content.decode()
    assert "Height checks without a verdict" in page
    assert page.count("(no specification for this day)") == 4
    assert f'href="/vehicle-models/{vehicle.vehicle_model_id}/specifications/new/"' in page
    driver = browser_of(site.person("operator_contact", operator=vehicle.operator_id))
    page = driver.get(f"/vehicles/{vehicle.vin}/").content.decode()
    assert "a manager can record a revision" in page
    assert "/specifications/new/" not in page


def test_a_check_that_is_judged_later_says_by_what(manager: Client, site: Site) -> None:
    vehicle = checked_without_specification(site)
    specified(site, vehicle)
    page = manager.get(f"/vehicles/{vehicle.vin}/").content.decode()
    assert len(re.findall(r"\(by revision 1, known since [^)]+, after this check\)", page)) == 4
    assert "Height checks without a verdict" not in page
    assert "Heights that nobody has confirmed" not in page


def test_a_height_that_nobody_was_asked_about_is_marked_at_its_corner(manager: Client, site: Site) -> None:
    vehicle = checked_without_specification(site, front_right=48.6)
    specified(site, vehicle)
    page = manager.get(f"/vehicles/{vehicle.vin}/").content.decode()
    assert "Heights that nobody has confirmed" in page
    assert page.count("(far from target and never confirmed)") == 1


def test_a_height_that_nobody_was_asked_about_is_no_point_of_its_drift(manager: Client, site: Site) -> None:
    vehicle = checked_without_specification(site, front_right=48.6)
    drifting.checked(site, vehicle, days_ago=0.4)
    specified(site, vehicle)
    with in_workshop(site.workshop.pk):
        vehicle_evaluate(actor=Actor.system(site.workshop.pk, timezone.now()), vehicle_id=vehicle.pk)
    page = manager.get(f"/vehicles/{vehicle.vin}/").content.decode()
    drawn = charts_in(page[page.index('id="drift"') : page.index('id="setpoints"')])
    assert len(drawn) == 4
    assert not [text for chart in drawn for text in chart.itertext() if re.search(r"\N{MINUS SIGN}\d{3}", text)]


def test_a_check_judged_at_once_needs_no_reason(manager: Client, site: Site) -> None:
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=9)
    page = manager.get(f"/vehicles/{vehicle.vin}/").content.decode()
    for words in ("Height checks without a verdict", "no specification for this day", "known since"):
        assert words not in page, words


def test_a_vehicle_just_added_says_what_is_missing(manager: Client, site: Site) -> None:
    page = str(manager.get(f"/vehicles/{site.vehicle().vin}/").content.decode())
    for words in ("Nothing was measured on this vehicle yet.", "No tyres are on record.", "No set-point has changed"):
        assert words in page, words


def test_struck_readings_are_not_in_the_mean_of_what_nothing_judged(manager: Client, site: Site) -> None:
    from calibration.models import Reading
    from calibration.services.rounds import reading_strike

    vehicle = site.vehicle(vehicle_model=site.vehicle_model())
    bench = jobs.Bench.at(site, vehicle=vehicle)
    bench.receive()
    measured = bench.measure(jobs.LOW_FRONT_LEFT)
    with in_workshop(site.workshop.pk):
        wrong = Reading.objects.filter(round=measured, corner="FL").first()
        assert wrong is not None
        reading_strike(
            actor=bench.actor(),
            record_id=new_id(),
            reading_id=wrong.pk,
            reason="wrong mark",
            replacement={"height_mm": wrong.height_mm + 20},
        )
    assert "480.5" in str(manager.get(f"/vehicles/{vehicle.vin}/").content.decode()), "mean of 471 and 490"


def test_the_vin_may_be_typed_in_small_letters_or_as_it_was_before_a_correction(
    manager: Client, at_work: AtWork, site: Site
) -> None:
    vehicle, other = at_work.done.vehicle, "0LBWAGNX5RA990001"
    assert manager.get(f"/vehicles/{vehicle.vin.lower()}/").status_code == 200
    with in_workshop(site.workshop.pk):
        services.vin_correct(
            actor=site.manager.actor(), record_id=new_id(), vehicle_id=vehicle.pk, vin=other, reason="mistyped"
        )
    assert other in str(manager.get(f"/vehicles/{vehicle.vin}/").content.decode())


def test_inches_for_whoever_wants_them(manager: Client, at_work: AtWork, site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(length_unit="inch")
    page = page_of(manager, at_work)
    assert "18.52" in page, "470.5 mm"
    assert "470.5" not in page[: page.index('id="timeline"')]


def test_a_contact_sees_only_their_time(at_work: AtWork, site: Site) -> None:
    browser = browser_of(at_work.contact)
    vehicle = at_work.done.vehicle
    with in_workshop(site.workshop.pk):
        services.vehicle_update(
            actor=site.manager.actor(),
            vehicle_id=vehicle.pk,
            expected_versions=[vehicle.version],
            changes={"operator": site.operator().pk},
        )
    later = jobs.Bench.at(site, vehicle=vehicle)
    later.now = site.manager.actor().now
    later.receive(note="Squeaks.")
    page = page_of(browser, at_work)
    assert vehicle.registration not in page
    assert f"/jobs/{later.job_id}/" not in page
    assert "signed off as complete" in page
    assert browser.get(f"/jobs/{later.job_id}/").status_code == 404


def test_queries_do_not_grow_with_what_was_done(manager: Client, at_work: AtWork, site: Site) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            page_of(manager, at_work)
        return len(captured)

    before = queries()
    assert before <= QUERIES
    for _time in range(3):
        bench = jobs.Bench.at(site, vehicle=at_work.done.vehicle)
        bench.now = site.manager.actor().now
        bench.receive()
        bench.check_readiness()
        bench.measure(jobs.WITHIN)
        bench.end()
    assert queries() <= before


@pytest.mark.parametrize("page", ["2", "0", "-1", "many", "999999999999999999999"])
def test_any_part_of_the_timeline_may_be_asked_for(manager: Client, at_work: AtWork, page: str) -> None:
    assert manager.get(f"/vehicles/{at_work.done.vehicle.vin}/", {"page": page}).status_code == 200


def test_height_checks_stand_in_chart_table_and_timeline(manager: Client, at_work: AtWork) -> None:
    before = page_of(manager, at_work)
    record_checks(at_work)
    page = page_of(manager, at_work)
    described = charts_in(page)[0].findtext(f"{SVG}desc") or ""

    assert "A square around the mark" in page
    assert "A square around the mark" not in before
    assert "2 of them are height checks outside a job." in described
    table = page[page.index("Front left as a table") : page.index("Front right as a table")]
    assert table.count("Height check under another load") == 1
    assert table.count("488.0") == 1
    timeline = page[page.index('class="timeline"') :]
    assert "Height check: FL 488" in timeline
    assert "Height check under another load: FL 470" in timeline


def record_checks(at_work: AtWork) -> None:
    """One as specified, one with another load."""
    for minutes, height, loading in ((20, 488, "as_specified"), (10, 470, "other")):
        body = {
            "taken_at": (timezone.now() - timedelta(minutes=minutes)).isoformat(),
            "loading": loading,
            "readings": [
                {"corner": corner, "height_mm": height if corner[0] == "F" else 504}
                for corner in ("FL", "FR", "RL", "RR")
            ],
        }
        answer = at_work.site.technician.client().post(
            f"/api/v1/vehicles/{at_work.done.vehicle.vin}/checks/", body, format="json"
        )
        assert answer.status_code == 201, answer.content


def test_who_records_checks_is_offered_the_form(at_work: AtWork, manager: Client) -> None:
    form = f'href="/vehicles/{at_work.done.vehicle.vin}/checks/new/"'
    assert form in page_of(manager, at_work)
    assert form in page_of(browser_of(at_work.contact), at_work)
    assert form not in page_of(browser_of(at_work.site.person("auditor")), at_work)


def test_what_is_known_stands_first_with_what_is_to_be_done(site: Site, manager: Client) -> None:
    bench = jobs.Bench.at(site)
    bench.receive()
    bench.end("The lift is out of order.")
    page = manager.get(f"/vehicles/{bench.vehicle.vin}/").content.decode()
    assert page.index("Adjustment not completed") < page.index('<dl class="facts">')
    assert "without its adjustment completed." in page
    assert "notice-stop" in page
    german = manager.get(f"/vehicles/{bench.vehicle.vin}/", headers={"Accept-Language": "de"}).content.decode()
    assert "Einstellung nicht fertiggestellt" in german


def test_one_that_is_only_due_some_day_bears_no_such_notice(manager: Client, at_work: AtWork) -> None:
    with in_workshop(at_work.site.workshop.pk):
        at_work.alert.delete()
    page = page_of(manager, at_work)
    assert "notice-stop" not in page
    assert "Advised by no. 1, not on record as done: headlamp aim, wheel alignment, driver assistance." in page

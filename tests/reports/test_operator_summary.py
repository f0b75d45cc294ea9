"""The summary of an operator's vehicles: what its lines say, who may have it, and that it is a proper file."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from io import BytesIO
from zoneinfo import ZoneInfo

import pikepdf
import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pypdf import PdfReader

from calibration.models import Job
from fleet.days import workshop_zone
from fleet.ids import new_id
from fleet.models import Operator, Vehicle
from fleet.tenancy import in_workshop
from reports.certificate.display import Display
from reports.certificate.document import Party, Units
from reports.certificate.layout import PageSize
from reports.certificate.operator_summary import OperatorSummary, drift_words, summary_pdf
from reports.selectors.operator_summary import Line, lines_of, vehicles_of
from reports.selectors.standing import Known, Standing
from tests.factories import Site, make_site

from . import drifting, jobs
from .page_inspection import outside, overlapping, pages_of
from .rendering import SIZES, text_of
from .sample_extremes import LONG

API = "/api/v1"
Perform = Callable[[Site], list[str]]
NOTHING_KNOWN = Standing(known=None, verdict=None, measured_at=None)


@pytest.fixture(autouse=True)
def _no_throttle_history() -> None:
    cache.clear()


@pytest.fixture
def operator(site: Site, perform_all: Perform) -> Operator:
    """Of four vehicles: one that sinks and nears its limit, one far too low, one adjusted, one never measured."""
    operator = site.operator(name="Strand Ambulance Trust")
    tape = site.instrument()
    drifting.sinking(site, site.vehicle(operator=operator, registration="A SINKS"), tape)
    low = site.vehicle(operator=operator, registration="B LOW")
    drifting.checked(site, low, days_ago=3, instrument=tape, FL=472)
    jobs.adjusted(site, vehicle=site.vehicle(operator=operator, registration="C DONE"))
    site.vehicle(operator=operator, registration="D NEW")
    site.vehicle(registration="OTHERS")
    perform_all(site)
    return operator


def lines(site: Site, operator: Operator) -> dict[str, Line]:
    with in_workshop(site.workshop.pk):
        actor = site.manager.actor()
        found = lines_of(list(vehicles_of(operator, actor)), actor, ZoneInfo("UTC"))
    return {line.registration: line for line in found}


class TestLines:
    def test_each_vehicle_of_the_operator_has_one_and_no_other_has(self, site: Site, operator: Operator) -> None:
        assert sorted(lines(site, operator)) == ["A SINKS", "B LOW", "C DONE", "D NEW"]

    def test_by_months_it_is_the_same_day_for_every_reader(self, site: Site, operator: Operator) -> None:
        with in_workshop(site.workshop.pk):
            actor = site.manager.actor()
            vehicles = list(vehicles_of(operator, actor))
            zones = map(ZoneInfo, ("Pacific/Auckland", "America/Los_Angeles"))
            days = [{each.registration: each.due_on for each in lines_of(vehicles, actor, zone)} for zone in zones]
        assert days[0] == days[1]
        assert days[0]["B LOW"] is not None

    def test_one_that_drifts_tells_which_corner_and_when_it_leaves(self, site: Site, operator: Operator) -> None:
        drift = lines(site, operator)["A SINKS"].drift
        assert drift is not None
        assert drift.corner == "FL"
        assert drift.rate_mm_per_year is not None
        assert -7 < drift.rate_mm_per_year < -3
        assert drift.expected_outside_on is not None

    def test_one_too_low_is_outside_by_its_worst_corner(self, site: Site, operator: Operator) -> None:
        line = lines(site, operator)["B LOW"]
        assert line.standing.verdict == "outside"
        assert line.worst is not None
        assert line.worst.corner == "FL"
        assert line.worst.deviation_mm == pytest.approx(-14)
        assert line.last_on == (timezone.now() - timedelta(days=3)).astimezone(UTC).date()

    def test_one_that_has_left_its_tolerance_is_not_told_to_leave_it(
        self, site: Site, operator: Operator, perform_all: Perform
    ) -> None:
        with in_workshop(site.workshop.pk):
            vehicle = Vehicle.objects.get(registration="A SINKS")
        display = Display(Units(), UTC)
        before = lines(site, operator)["A SINKS"]
        assert "outside tolerance about" in drift_words(before, display)
        for days_ago in (10, 5, 1):
            drifting.checked(site, vehicle, days_ago=days_ago, instrument=site.instrument(), FL=474)
        perform_all(site)
        line = lines(site, operator)["A SINKS"]
        assert line.drift is not None
        assert (line.drift.is_outside, line.drift.expected_outside_on) == (True, None)
        assert drift_words(line, display).endswith("a year, outside tolerance")

    def test_an_adjusted_one_is_within_and_knows_its_next_check(self, site: Site, operator: Operator) -> None:
        line = lines(site, operator)["C DONE"]
        assert line.standing.verdict == "within"
        assert line.due_on is not None
        assert line.stage is None

    def test_one_never_measured_says_so(self, site: Site, operator: Operator) -> None:
        line = lines(site, operator)["D NEW"]
        assert (line.last_on, line.standing.verdict, line.worst, line.drift) == (None, None, None, None)

    def test_more_vehicles_ask_no_more_queries(self, site: Site, operator: Operator) -> None:
        with in_workshop(site.workshop.pk):
            actor = site.manager.actor()
            vehicles = list(vehicles_of(operator, actor))
            workshop_zone()  # comes with who calls
            counts = []
            for some in ([each for each in vehicles if each.registration == "C DONE"], vehicles):
                with CaptureQueriesContext(
                    connection,
                ) as seen:
                    lines_of(some, actor, ZoneInfo("UTC"))
                counts.append(len(seen))
        assert counts[0] == counts[1] <= 9


class TestFile:
    def summary(self, count: int, **changes: object) -> OperatorSummary:
        line = Line("0LBWSM002RS375013", "LB 375", "Quay Halden 4", NOTHING_KNOWN)
        lines = [line] * count
        values = {
            "workshop": Party("Hollin Vale Suspension Works", ("14 Tannery Row",)),
            "operator": Party("Strand Ambulance Trust"),
            "made_at": datetime(2026, 11, 25, 9, 30, tzinfo=UTC),
            "lines": lines,
            "units": Units(),
            "language": "en",
            **changes,
        }
        return OperatorSummary(**values)  # type: ignore[arg-type]

    @pytest.mark.parametrize("page_size", SIZES)
    def test_long_lists_and_long_names_are_neither_cut_nor_overlap(self, page_size: PageSize) -> None:
        line = Line("W" * 17, "W" * 20, f"{LONG} {LONG}", NOTHING_KNOWN)
        pdf = summary_pdf(self.summary(0, lines=[line] * 60, operator=Party(LONG)), page_size=page_size)
        pages = pages_of(pdf)
        assert len(pages) > 2
        assert not any(overlapping(page) or outside(page, 20) for page in pages)

    def test_what_is_known_may_be_of_any_length(self) -> None:
        reason = f"{LONG} " * 60
        job = Job(workshop_id=new_id(), number=1, state="paused", opened_at=datetime(2026, 11, 1, tzinfo=UTC))
        known = Standing(Known.PAUSED, "outside", None, open_job=job, paused_because=reason)
        line = Line("W" * 17, "W" * 20, LONG, known)
        pdf = summary_pdf(self.summary(0, lines=[line] * 4), page_size="A4")
        assert not any(overlapping(page) or outside(page, 20) for page in pages_of(pdf))
        assert "PAUSED" in text_of(pdf)

    def test_the_same_gives_the_same_bytes_and_another_line_others(self) -> None:
        assert summary_pdf(self.summary(3), page_size="A4") == summary_pdf(self.summary(3), page_size="A4")
        assert summary_pdf(self.summary(3), page_size="A4") != summary_pdf(self.summary(4), page_size="A4")

    def test_it_is_a_whole_file_in_the_workshops_language(self) -> None:
        pdf = summary_pdf(self.summary(2, language="de"), page_size="Letter")
        with pikepdf.open(BytesIO(pdf)) as opened:
            assert opened.check_pdf_syntax() == []
            assert str(opened.Root.Lang) == "de"
            assert opened.Root.OutputIntents[0].S == "/GTS_PDFA1"
            assert "/AF" not in opened.Root
        assert "Fahrzeuge" in text_of(pdf)

    def test_an_operator_without_vehicles_gets_a_page_that_says_so(self) -> None:
        assert "runs no vehicle now" in text_of(summary_pdf(self.summary(0), page_size="A4"))


class TestInterface:
    def url(self, operator: Operator) -> str:
        return f"{API}/operators/{operator.pk}/summary/"

    def test_it_is_a_pdf_with_a_line_for_each_vehicle(self, site: Site, operator: Operator) -> None:
        answer = site.manager.client().get(self.url(operator))
        assert answer.status_code == 200
        assert answer["Content-Type"] == "application/pdf"
        text = " ".join(page.extract_text() for page in PdfReader(BytesIO(answer.content)).pages)
        for words in (
            "A SINKS",
            "B LOW",
            "C DONE",
            "D NEW",
            "Front left −14.0 ±",
            "4 vehicles: 1 outside tolerance",
            "OUTSIDE TOLERANCE",
            "14.0 mm too low",
            "What is not done",
        ):
            assert words in text
        assert "OTHERS" not in text

    def test_a_contact_has_their_own_and_no_other(self, site: Site, operator: Operator) -> None:
        contact = site.person("operator_contact", operator=operator.pk)
        assert contact.client().get(self.url(operator)).status_code == 200
        assert contact.client().get(self.url(site.operator())).status_code == 404

    def test_nobody_else_has_it(self, site: Site, operator: Operator) -> None:
        from rest_framework.test import APIClient

        assert APIClient().get(self.url(operator)).status_code == 401
        assert make_site().manager.client().get(self.url(operator)).status_code == 404
        assert site.manager.client().get(f"{API}/operators/{new_id()}/summary/").status_code == 404
        assert site.manager.client().get(f"{API}/operators/{uuid.UUID(int=0)}/summary/").status_code == 404

    def test_a_program_that_wants_something_else_is_told(self, site: Site, operator: Operator) -> None:
        assert site.manager.client().get(self.url(operator), HTTP_ACCEPT="text/html").status_code == 406


def test_vehicles_of_another_operator_are_theirs(site: Site, operator: Operator) -> None:
    with in_workshop(site.workshop.pk):
        assert Vehicle.objects.exclude(operator=operator).exists()
        assert not vehicles_of(operator, site.manager.actor()).exclude(operator=operator).exists()

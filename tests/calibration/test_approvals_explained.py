"""Who is waited for where a decision is wanted, why, and what leads on."""

from __future__ import annotations

import pytest

from calibration.rules.explain import approval_detail, next_step_detail
from calibration.selectors.approvals import detail_of
from calibration.services.independence import may_decide
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from tests.calibration.api.http_bench import ONE_HIGH, SETPOINTS, HttpBench
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    return Bench.with_one_low(site)


def told(bench: Bench) -> str:
    return next_step_detail(bench.standing, proposal=bench.case.open_proposal_content)


class TestWaitingForApproval:
    def test_the_names_of_those_who_may_decide_are_told(self, site: Site) -> None:
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        deputy = site.person("technician", may_approve=True)
        site.person("technician")
        http.propose(setpoints={**SETPOINTS, "RR": 121}, justification="Try.")
        shown = http.state()
        assert shown["next_step_detail"]["one_decides_alone"] is False
        detail = shown["next_step_detail"]["detail"]
        names = [person.membership.name for person in (site.manager, deputy)]
        assert f"These may decide: {', '.join(sorted(names))}." in detail
        assert "RR: deviation" in detail
        assert "Another proposal or a new round takes its place" in detail
        assert "RR: deviation" in shown["approval"]["detail"]

    def test_nobody_decides_on_work_they_took_part_in(self, bench: Bench) -> None:
        bench.measure({"FL": 470}, by=bench.site.manager)
        bench.enter(RR=COUNTS["RR"] + 1)
        assert may_decide(bench.case) == []
        assert "Nobody may decide now" in next_step_detail(bench.standing, approvers=[])
        Workshop.objects.update(single_person=True)
        assert may_decide(bench.case) == [bench.site.manager.membership]

    def test_where_one_person_approves_alone_nobody_else_is_waited_for(self, site: Site) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.update(single_person=True)
        http = HttpBench.of(site)
        http.measured(ONE_HIGH)
        http.propose(setpoints={**SETPOINTS, "RR": 121}, justification="Try.")
        assert http.state()["next_step_detail"]["one_decides_alone"] is True
        detail = http.state()["next_step_detail"]["detail"]
        assert "one person approves alone: they decide, with a reason, on their own work too" in detail
        assert "It is asked because of: RR: deviation" in detail
        assert "nother person" not in detail

    def test_a_ruling_on_ones_own_work_is_not_said_to_need_somebody_else(self, bench: Bench) -> None:
        bench.write(None, {**COUNTS, "FL": 138})
        bench.measure()
        assert bench.reason == "rulings_missing"
        alone = next_step_detail(bench.standing, one_decides_alone=True)
        assert "they decide, with a reason, on their own work too" in alone
        assert "neither measured" not in alone

    def test_another_proposal_takes_the_place_of_ones_own(self, bench: Bench) -> None:
        first = bench.enter(RR=COUNTS["RR"] + 1)
        assert bench.reason == "proposal"
        second = bench.enter(FL=COUNTS["FL"] + 15)
        assert bench.next_step == "write"
        assert bench.standing.open_approval is None
        assert bench.standing.open_proposal is not None
        assert bench.standing.open_proposal.id == second.pk != first.pk

    def test_a_round_takes_it_back(self, bench: Bench) -> None:
        bench.enter(RR=COUNTS["RR"] + 1)
        bench.measure({"FL": 470})
        assert bench.standing.open_approval is None
        assert bench.next_step == "propose"

    def test_a_concession_and_a_ruling_say_who_is_waited_for(self, bench: Bench) -> None:
        bench.concede()
        assert "concession waits" in told(bench)
        asked = detail_of(bench.case.approvals[-1])
        for told_of in (bench.case.concessions[-1].reason, bench.case.concessions[-1].acknowledged_by):
            assert told_of in asked
        assert f"{bench.case.concessions[-1].front_target_mm:g} mm in front" in asked
        bench.decide("refuse")
        bench.write(None, {**COUNTS, "FL": 138})
        bench.measure()
        assert bench.reason == "rulings_missing"
        assert "A manager rules who neither measured nor recorded" in told(bench)
        assert "tape" in approval_detail("sign_off", None)


def test_a_refused_approval_names_what_leads_on(bench: Bench) -> None:
    bench.enter(RR=COUNTS["RR"] + 1)
    bench.decide("refuse")
    assert bench.next_step == "inspect"
    for way in ("another round", "another proposal", "what was mended", "end the job"):
        assert way in told(bench)

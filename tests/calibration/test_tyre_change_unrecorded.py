"""A job because of other tyres, of which none are on record."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from calibration.models import Job
from calibration.rules.explain import next_step_detail
from calibration.selectors.tyres import tyre_change_unrecorded
from fleet.models import Fitment
from tests.calibration.bench import Bench
from tests.factories import TYRE, Site


@pytest.fixture
def bench(site: Site) -> Bench:
    return Bench.with_one_low(site)


def told(bench: Bench) -> str:
    return next_step_detail(bench.standing, proposal=bench.case.open_proposal_content)


class TestTyreChange:
    def opened(self, site: Site) -> Bench:
        bench = Bench.open(site, reason="tyre_change")
        bench.ready()
        assert bench.codes() == []
        bench.measure()
        return bench

    def live(self, bench: Bench) -> bool:
        [found] = [each for each in bench.case.record.findings if each.code == "tyres_not_recorded"]
        return bench.standing.is_live(found)

    def test_without_tyres_on_record_is_said_and_does_not_block_the_sign_off(self, site: Site) -> None:
        bench = self.opened(site)
        assert self.live(bench)
        assert bench.next_step == "sign_off"
        assert "no other tyres are on record" in told(bench)
        bench.sign_off()
        assert self.live(bench)

    def test_is_settled_once_the_tyres_are_recorded(self, site: Site) -> None:
        bench = self.opened(site)
        bench.fit(TYRE)
        assert not self.live(bench)
        bench.measure()
        assert "tyres" not in told(bench)

    @pytest.mark.parametrize(
        ("fitted_on", "recorded_hours_later", "is_missing"),
        [(date(2026, 3, 2), -1, False), (date(2026, 3, 1), -1, True), (date(2026, 3, 1), 1, False)],
        ids=["fitted that day", "on it before", "fitted before, recorded since"],
    )
    def test_tyres_of_that_day_or_recorded_since_count(
        self, site: Site, fitted_on: date, recorded_hours_later: int, is_missing: bool
    ) -> None:
        opened_at = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
        fitment = Fitment(fitted_on=fitted_on, recorded_at=opened_at + timedelta(hours=recorded_hours_later))
        assert tyre_change_unrecorded(Job(reason="tyre_change", opened_at=opened_at), [fitment]) is is_missing

    def test_other_reasons_ask_for_none(self, bench: Bench) -> None:
        assert "tyres_not_recorded" not in bench.codes()

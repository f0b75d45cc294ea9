"""Leak tests as facts: what each records and says, and that the rules about them are needed."""

from __future__ import annotations

from copy import deepcopy
from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from calibration.models import LeakTest
from calibration.rules import leaks
from calibration.selectors.instrument_use import jobs_measured_with
from fleet.errors import Conflict, Invalid
from fleet.models import LedgerEntry
from tests.calibration.bench import Bench
from tests.calibration.leak_tests.leaking import again


class TestAFact:
    def test_with_an_odd_clock_is_stored_with_its_finding_and_its_rate(self, bench: Bench) -> None:
        test = bench.leak_test({"RL": 30}, shift=timedelta(days=400))

        assert "clock_wrong" in bench.codes()
        assert test.happened_at == test.recorded_at
        assert set(bench.standing.leaks) == {"RL"}

    def test_begun_before_the_job_says_so(self, bench: Bench) -> None:
        bench.leak_test(shift=-timedelta(hours=3))

        assert "clock_wrong" in bench.codes()

    def test_arriving_late_counts_when_it_was_measured(self, ready: Bench) -> None:
        """The tablet lay in a drawer: the leak it tells of was repaired and tested meanwhile."""
        shift = timedelta(hours=-40)
        ready.now += timedelta(hours=60)
        ready.event("leak_repaired", "RL")
        ready.leak_test()
        ready.leak_test({"RL": 30}, shift=shift)

        assert "clock_wrong" not in ready.codes()
        assert not ready.standing.leaks

    def test_with_an_overdue_tape_says_so(self, bench: Bench) -> None:
        overdue = bench.site.instrument(
            calibrated_on=(bench.now - timedelta(days=99)).date(),
            calibration_due_on=(bench.now - timedelta(days=9)).date(),
        )
        bench.leak_test(instrument=overdue)

        assert "instrument_overdue" in bench.codes()

    def test_after_the_end_is_put_before_the_manager_and_changes_no_state(self, ready: Bench) -> None:
        ready.end()
        ready.leak_test({"RL": 30})

        assert {"recorded_after_close", "leak_outside"} <= set(ready.codes())
        assert ready.case.job.state == "ended"

    def test_changes_what_a_signer_signs(self, bench: Bench) -> None:
        bench.ready()
        bench.measure()
        before = bench.standing.content_sha256
        bench.leak_test(hours=48)
        after = bench.standing.content_sha256

        assert before != after
        with pytest.raises(Conflict):
            bench.sign_off(content_sha256=before)
        assert bench.sign_off(content_sha256=after).state == "signed_off"

    def test_lists_its_job_among_those_of_its_instrument(self, bench: Bench) -> None:
        other = bench.site.instrument(serial="T-LEAK")
        bench.leak_test(instrument=other)
        jobs = jobs_measured_with(bench.site.manager.actor(bench.now), other.pk, bench.now.date())

        assert [each["id"] for each in jobs] == [str(bench.job.pk)]

    def test_is_in_the_ledger_whole(self, bench: Bench) -> None:
        test = bench.leak_test({"RL": 30}, temperatures=(20, 10.5))
        entry = LedgerEntry.objects.get(kind="leak_test_recorded", record_id=test.pk)
        (row,) = entry.payload["rows"]["calibration.leaktest"]

        assert row["end_heights_um"] == {"FL": 486000, "FR": 486000, "RL": 474000, "RR": 504000}
        assert row["result"]["corners"]["RL"]["verdict"] == "outside"
        assert row["computed_with"]["metrology_version"]

    @pytest.mark.parametrize(
        "statement", ["UPDATE calibration_leaktest SET confirmed = true", "DELETE FROM calibration_leaktest"]
    )
    def test_is_never_altered(self, bench: Bench, statement: str) -> None:
        bench.leak_test()
        with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)

    def test_that_ends_before_it_starts_is_refused_by_service_and_table(self, bench: Bench) -> None:
        with pytest.raises(Invalid):
            bench.leak_test(hours=-1)
        row = deepcopy(bench.leak_test())
        row.ended_at = row.started_at
        row.pk = None
        with pytest.raises(DatabaseError), transaction.atomic():
            LeakTest.objects.bulk_create([row])


class TestTheRulesAreNeeded:
    """Each rule taken out lets a leaking vehicle be adjusted: so the tests above can fail."""

    def _mended(self, bench: Bench) -> None:
        bench.leak_test({"RL": 30})
        bench.event("leak_repaired", "RL")
        again(bench)

    def test_without_the_retest_rule_a_repair_alone_opens_the_way(
        self, ready: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        kept = leaks._leak_at

        def forgetful(*args: Any) -> Any:
            leak = kept(*args)
            return None if leak is not None and leak.mended_at is not None else leak

        self._mended(ready)
        assert ready.next_step == "inspect"
        monkeypatch.setattr(leaks, "_leak_at", forgetful)
        assert ready.next_step == "propose"

    def test_with_undecided_taken_for_passed_a_short_test_opens_the_way(
        self, ready: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self._mended(ready)
        ready.leak_test({"RL": 3}, hours=4)
        assert ready.next_step == "inspect"
        monkeypatch.setattr(leaks, "passes", lambda found: found.verdict != "outside")
        assert ready.next_step == "propose"

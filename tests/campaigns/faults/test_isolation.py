"""No filter of the application helps here: raw sessions and foreign tokens against a running service."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from django.apps import apps
from psycopg import sql

from deploy.embedded import postgres
from fleet.models import LedgerEntry, Receipt, RecordModel
from tests.campaigns.faults import isolation
from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.kills import new_shop
from tests.campaigns.faults.running import RunningService
from tests.campaigns.faults.tablets import Shop, Tablet

RECORD_TABLES = sorted(
    model._meta.db_table for model in apps.get_models() if issubclass(model, (RecordModel, LedgerEntry, Receipt))
)

SURELY_FILLED = {"calibration_round", "calibration_reading", "fleet_ledgerentry", "fleet_receipt"}


@pytest.fixture(scope="session")
def worked(bench: Bench) -> Bench:
    """The workshop after both kinds of a tablet's jobs: most tables have rows."""
    tablet = Tablet(bench.shop, 1, threading.Event())
    tablet._visit()
    tablet._visit()
    assert bench.shop.journal.faults == []
    return bench


@pytest.fixture(scope="session")
def outsider(service: RunningService) -> Iterator[Shop]:
    shop = new_shop(service)
    yield shop
    shop.close()


def test_raw_session_of_another_workshop_sees_no_row_of_any_tenant_table(worked: Bench, outsider: Shop) -> None:
    tables = isolation.tenant_tables(worked)
    with_rows = [table for table in tables if isolation.rows_of(worked, table, worked.shop.workshop)]
    assert len(tables) >= 40
    assert {"calibration_round", "calibration_reading", "fleet_ledgerentry", "reports_certificatefile"} <= set(
        with_rows
    )
    assert isolation.seen_from_outside(worked, outsider.workshop) == []


def test_raw_session_may_insert_no_row_of_another_workshop(worked: Bench, outsider: Shop) -> None:
    assert isolation.inserted_from_outside(worked, outsider.workshop) == []


def test_record_tables_refuse_change_and_removal_to_application_and_owner(worked: Bench) -> None:
    assert {"fleet_ledgerentry", "fleet_receipt", "calibration_reading", "reports_certificatefile"} <= set(
        RECORD_TABLES
    )
    assert isolation.changed_records(worked, RECORD_TABLES) == []


def test_foreign_token_gets_404_on_every_address_of_one_thing(worked: Bench, outsider: Shop) -> None:
    problems, asked, unasked = isolation.answered_to_outsiders(worked, outsider.token)
    assert problems == []
    assert asked > len(unasked)


# --- The same checks on a database with one rule taken away ------------------------------------------------


def test_check_of_rows_sees_a_table_without_row_level_security(worked: Bench, outsider: Shop) -> None:
    table = sql.Identifier("calibration_round")
    with worked.service.connect(postgres.OWNER) as owner:
        owner.execute(sql.SQL("ALTER TABLE {} DISABLE ROW LEVEL SECURITY").format(table))
        try:
            seen = isolation.seen_from_outside(worked, outsider.workshop)
            inserted = isolation.inserted_from_outside(worked, outsider.workshop)
        finally:
            owner.execute(sql.SQL("ALTER TABLE {} ENABLE ROW LEVEL SECURITY").format(table))
    assert seen
    assert [problem for problem in [*seen, *inserted] if "calibration_round" not in problem] == []
    assert inserted


def test_check_of_records_sees_a_table_without_its_triggers(worked: Bench) -> None:
    table = sql.Identifier("calibration_round")
    with worked.service.connect(postgres.OWNER) as owner:
        owner.execute(sql.SQL("ALTER TABLE {} DISABLE TRIGGER append_only_row").format(table))
        try:
            problems = isolation.changed_records(worked, ["calibration_round", "calibration_reading"])
        finally:
            owner.execute(sql.SQL("ALTER TABLE {} ENABLE TRIGGER append_only_row").format(table))
    assert problems == ["levelbook_owner may UPDATE calibration_round"]


def test_check_of_addresses_sees_a_token_that_is_no_outsider_s(worked: Bench) -> None:
    problems, asked, _unasked = isolation.answered_to_outsiders(worked, worked.shop.token)
    assert len([problem for problem in problems if ": 200" in problem]) > asked / 4

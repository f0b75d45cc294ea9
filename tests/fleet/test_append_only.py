"""The ledger and the records refuse every change, to the application and to the owner by accident."""

from __future__ import annotations

import psycopg
import pytest
from django.db import InternalError, ProgrammingError, connection, transaction
from django.db.utils import DatabaseError

from fleet import ledger
from fleet.models import LedgerEntry
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site

CHANGES = {
    "update": 'UPDATE "{table}" SET id = id',
    "delete": 'DELETE FROM "{table}"',
    "truncate": 'TRUNCATE "{table}" CASCADE',
}
CHANGE = pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
RECORD_TABLES_SQL = """
    SELECT c.relname FROM pg_class c WHERE EXISTS (
        SELECT FROM pg_trigger t WHERE t.tgrelid = c.oid AND t.tgname = 'append_only_row')
    ORDER BY 1
"""
FLEET_RECORDS = {
    "fleet_specification",
    "fleet_vincorrection",
    "fleet_fitment",
    "fleet_serviceevent",
    "fleet_instrumentcalibration",
    "fleet_instrumentwithdrawal",
    "fleet_ledgerentry",
    "fleet_ledgerleaf",
    "fleet_checkpoint",
    "fleet_receipt",
    "fleet_refusedsignin",
    "fleet_signinevent",
}


def record_tables() -> set[str]:
    with connection.cursor() as cursor:
        cursor.execute(RECORD_TABLES_SQL)
        return {name for (name,) in cursor.fetchall()}


@pytest.mark.django_db
def test_every_record_table_is_append_only() -> None:
    assert {name for name in record_tables() if name.startswith("fleet_")} == FLEET_RECORDS


@CHANGE
def test_the_application_lacks_the_privilege(site: Site, change: str) -> None:
    with in_workshop(site.workshop.pk):
        for table in sorted(FLEET_RECORDS):
            with (
                pytest.raises(ProgrammingError, match="permission denied"),
                transaction.atomic(),
                connection.cursor() as cursor,
            ):
                cursor.execute(change.format(table=table))


@CHANGE
def test_a_trigger_stops_even_the_owner(committed_db: None, database_environment: dict[str, str], change: str) -> None:
    """The owner sees rows only where a policy shows them, hence the workshop's setting."""
    site = make_site()
    vehicle = site.vehicle()
    site.fitment(vehicle)
    filled = {"fleet_ledgerentry", "fleet_specification", "fleet_fitment", "fleet_instrumentcalibration"}
    site.instrument()
    with psycopg.connect(database_environment["DATABASE_OWNER_URL"]) as owner:
        owner.execute("SELECT set_config('app.workshop', %s, false)", [str(site.workshop.pk)])
        for table in sorted(filled):
            with pytest.raises(psycopg.Error, match="append-only") as refusal, owner.transaction():
                owner.execute(change.format(table=table))
            assert refusal.value.sqlstate == "LB001"


@CHANGE
def test_a_table_without_the_trigger_takes_the_change(
    committed_db: None, database_environment: dict[str, str], change: str
) -> None:
    """Negative control: it is the trigger that stops the owner, not something else."""
    site = make_site()
    with psycopg.connect(database_environment["DATABASE_OWNER_URL"]) as owner:
        owner.execute("SELECT set_config('app.workshop', %s, false)", [str(site.workshop.pk)])
        with owner.transaction(force_rollback=True):
            for table in ("fleet_ledgerentry", "fleet_ledgerleaf"):  # which TRUNCATE empties with it
                owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
            owner.execute(change.format(table="fleet_ledgerentry"))


def test_each_entry_carries_its_predecessors_hash(site: Site) -> None:
    vehicle = site.vehicle()
    for _ in range(3):
        site.fitment(vehicle)
    with in_workshop(site.workshop.pk):
        entries = list(LedgerEntry.objects.filter(book=vehicle.pk).order_by("sequence"))
    assert [entry.sequence for entry in entries] == [1, 2, 3, 4]
    expected = ledger.FIRST_PREVIOUS_HASH
    for entry in entries:
        assert entry.previous_hash == expected
        assert ledger.entry_hash(entry) == entry.hash
        expected = entry.hash


@pytest.mark.parametrize(("sequence", "previous"), [(3, "right"), (1, "right"), (2, "0" * 64), (2, "f" * 64)])
def test_an_entry_that_breaks_the_chain_is_refused(site: Site, sequence: int, previous: str) -> None:
    vehicle = site.vehicle()
    with in_workshop(site.workshop.pk):
        last = LedgerEntry.objects.get(book=vehicle.pk)
        values = {
            "book": vehicle.pk,
            "vehicle": vehicle,
            "recorded_at": site.began_at,
            "roles": [],
            "kind": "test",
            "record_type": "fleet.vehicle",
            "record_id": vehicle.pk,
            "payload": {},
            "hash": "a" * 64,
        }
        hash_before = last.hash if previous == "right" else previous
        with pytest.raises(DatabaseError) as refusal, transaction.atomic():
            LedgerEntry.objects.create(sequence=sequence, previous_hash=hash_before, **values)
        assert isinstance(refusal.value, InternalError | DatabaseError)
        assert getattr(refusal.value.__cause__, "sqlstate", None) == "LB002"
        LedgerEntry.objects.create(sequence=2, previous_hash=last.hash, **values)


def test_personal_data_stay_out_of_the_ledger(site: Site) -> None:
    operator = site.operator(name="Tarn Lodge", email="fleet@example.com", telephone="+43 1 234")
    person = site.person("technician", name="Kim Arden")
    with in_workshop(site.workshop.pk):
        text = " ".join(str(payload) for payload in LedgerEntry.objects.values_list("payload", flat=True))
        entry = LedgerEntry.objects.get(record_id=operator.pk)
    for personal in ("Tarn Lodge", "fleet@example.com", "+43 1 234", "Kim Arden", person.email, person.token):
        assert personal not in text
    commitment = entry.payload["rows"]["fleet.operator"][0]["commitment"]
    assert commitment == ledger.commitment(operator, bytes(operator.commitment_salt))
    operator.name = "Tarn Inn"
    assert commitment != ledger.commitment(operator, bytes(operator.commitment_salt))

"""The workshop's Merkle tree over its ledger entries, and its signed heads."""

import django.db.models.deletion
from django.db import migrations, models

import fleet.ids
from fleet.tenancy.migration import AppendOnly, SecureTable

# A leaf has its entry's id and begins with the hash of its entry; leaves are counted without a gap.
LEAVES = """
ALTER TABLE fleet_ledgerleaf ADD CONSTRAINT fleet_ledgerleaf_of_entry
    FOREIGN KEY (workshop_id, id) REFERENCES fleet_ledgerentry (workshop_id, id);

CREATE FUNCTION levelbook_check_leaf() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    last bigint;
    entry_hash text;
BEGIN
    SELECT leaf_index INTO last FROM fleet_ledgerleaf
        WHERE workshop_id = NEW.workshop_id ORDER BY leaf_index DESC LIMIT 1;
    SELECT hash INTO entry_hash FROM fleet_ledgerentry WHERE workshop_id = NEW.workshop_id AND id = NEW.id;
    IF NEW.leaf_index <> COALESCE(last + 1, 0)
       OR substring(NEW.nodes FROM 1 FOR 32) IS DISTINCT FROM sha256('\\x00'::bytea || decode(entry_hash, 'hex')) THEN
        RAISE EXCEPTION 'leaf % does not follow leaf %, or is not its ledger entry''s', NEW.leaf_index, last
            USING ERRCODE = 'LB003';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER check_leaf BEFORE INSERT ON fleet_ledgerleaf
    FOR EACH ROW EXECUTE FUNCTION levelbook_check_leaf();
"""

NO_LEAVES = """
DROP TRIGGER check_leaf ON fleet_ledgerleaf;
DROP FUNCTION levelbook_check_leaf();
ALTER TABLE fleet_ledgerleaf DROP CONSTRAINT fleet_ledgerleaf_of_entry;
"""


class Migration(migrations.Migration):
    dependencies = [("fleet", "0002_secure")]

    operations = [
        migrations.CreateModel(
            name="LedgerLeaf",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("leaf_index", models.PositiveBigIntegerField(editable=False)),
                ("nodes", models.BinaryField()),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "ordering": ("leaf_index",),
                "constraints": [
                    models.UniqueConstraint(
                        fields=("workshop", "leaf_index"),
                        name="fleet_ledgerleaf_index",
                        violation_error_message="This place in the tree is taken.",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Checkpoint",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("size", models.PositiveBigIntegerField(editable=False)),
                ("root", models.CharField(editable=False, max_length=64)),
                ("made_at", models.DateTimeField(editable=False)),
                ("note", models.TextField(editable=False)),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "ordering": ("-size",),
                "constraints": [
                    models.UniqueConstraint(
                        fields=("workshop", "size"),
                        name="fleet_checkpoint_size",
                        violation_error_message="The tree has its head of this size.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("size__gte", 1), ("root__regex", "^[0-9a-f]{64}$")),
                        name="fleet_checkpoint_of_leaves",
                        violation_error_message="A head is over one leaf or more and has a SHA-256 for its root.",
                    ),
                ],
            },
        ),
        *[SecureTable(name) for name in ("ledgerleaf", "checkpoint")],
        *[AppendOnly(name) for name in ("ledgerleaf", "checkpoint")],
        migrations.RunSQL(LEAVES, NO_LEAVES),
    ]

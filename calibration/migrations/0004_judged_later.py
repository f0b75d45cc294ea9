"""Vehicles with height checks that came before any specification are evaluated once.

Earlier versions did not judge such checks by a revision recorded later, so drift and alerts of these vehicles would
follow only when something else is recorded of them.
"""

from django.db import migrations

EVALUATE = """
DO $$
DECLARE
    one uuid;
BEGIN
    FOR one IN SELECT id FROM fleet_workshop LOOP
        PERFORM set_config('app.workshop', one::text, true);
        INSERT INTO fleet_outboxitem (id, workshop_id, kind, payload, state, created_at, due_at, attempts, error)
        SELECT gen_random_uuid(), one, 'calibration.drift_changed', jsonb_build_object('vehicle', v.id), 'waiting',
               now(), now(), 0, ''
        FROM fleet_vehicle v
        WHERE EXISTS (SELECT FROM calibration_heightcheck c WHERE c.vehicle_id = v.id AND c.specification_id IS NULL)
            AND EXISTS (SELECT FROM fleet_specification s WHERE s.vehicle_model_id = v.vehicle_model_id);
    END LOOP;
    PERFORM set_config('app.workshop', '', true);
END
$$
"""


class Migration(migrations.Migration):
    dependencies = [
        ("calibration", "0003_schedule"),
        ("fleet", "0002_secure"),
    ]

    operations = [migrations.RunSQL(EVALUATE, migrations.RunSQL.noop)]

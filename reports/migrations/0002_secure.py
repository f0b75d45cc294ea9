"""Row-level security and append-only files of certificates, and the function behind the verification page."""

from django.db import migrations

from fleet.tenancy.migration import AppendOnly, SecureTable

# Runs as levelbook_gate (fleet/migrations/0002_secure.py). Anyone who holds a code may ask, so it tells what
# the paper with that code says and whether it still holds, and no person's name.
VERIFICATION = """
GRANT SELECT (id, workshop_id, code, number, kind, state, replaces_id) ON reports_certificate
    TO levelbook_gate;
GRANT SELECT (workshop_id, certificate_id, snapshot, sha256) ON reports_certificatefile TO levelbook_gate;
CREATE POLICY gate_reads ON reports_certificate FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON reports_certificatefile FOR SELECT TO levelbook_gate USING (true);

CREATE FUNCTION levelbook_verification(wanted text)
RETURNS TABLE (kind text, number integer, state text, issued_at text, workshop text, vin text,
               verdict text, sha256 text, replaced_by integer)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    SELECT c.kind::text, c.number, c.state::text, f.snapshot ->> 'issued_at', f.snapshot #>> '{workshop,name}',
           f.snapshot #>> '{vehicle,vin}', f.snapshot #>> '{as_left,verdict}', f.sha256::text, r.number
    FROM public.reports_certificate c
    JOIN public.reports_certificatefile f ON f.workshop_id = c.workshop_id AND f.certificate_id = c.id
    LEFT JOIN public.reports_certificate r
        ON r.workshop_id = c.workshop_id AND r.replaces_id = c.id AND r.state <> 'preparing'
    WHERE c.code = wanted
$$;

GRANT CREATE ON SCHEMA public TO levelbook_gate;
ALTER FUNCTION levelbook_verification(text) OWNER TO levelbook_gate;
REVOKE CREATE ON SCHEMA public FROM levelbook_gate;
REVOKE ALL ON FUNCTION levelbook_verification(text) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION levelbook_verification(text) TO levelbook_app;
"""

NO_VERIFICATION = """
DROP FUNCTION levelbook_verification(text);
DROP POLICY gate_reads ON reports_certificate;
DROP POLICY gate_reads ON reports_certificatefile;
REVOKE ALL ON reports_certificate, reports_certificatefile FROM levelbook_gate;
"""


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0001_initial"),
        ("calibration", "0002_secure"),
        ("fleet", "0002_secure"),
    ]

    operations = [
        SecureTable("certificate"),
        SecureTable("certificatefile"),
        AppendOnly("certificatefile"),
        SecureTable("driftalert"),
        migrations.RunSQL(VERIFICATION, NO_VERIFICATION),
    ]

"""A verification code also tells which corners and sides are not within tolerance, and of a concession's targets.

Of a replaced certificate it tells the one that holds now, also where the replacement was itself replaced.
"""

from django.db import migrations

VERIFICATION = """
DROP FUNCTION levelbook_verification(text);

CREATE FUNCTION levelbook_verification(wanted text)
RETURNS TABLE (kind text, number integer, state text, issued_at text, workshop text, vin text,
               verdict text, not_within text[], by_concession boolean, sha256 text, replaced_by integer)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    SELECT c.kind::text, c.number, c.state::text, f.snapshot ->> 'issued_at', f.snapshot #>> '{workshop,name}',
           f.snapshot #>> '{vehicle,vin}', f.snapshot #>> '{as_left,verdict}',
           ARRAY(SELECT place.key
                 FROM (VALUES ('corners'), ('sides')) AS kinds (kind),
                      jsonb_each(f.snapshot -> 'as_left' -> kinds.kind) AS place (key, judged)
                 WHERE place.judged ->> 'verdict' IN ('outside', 'undecided')
                 ORDER BY kinds.kind, place.key),
           coalesce(jsonb_typeof(f.snapshot -> 'concession') = 'object', false), f.sha256::text,
           (WITH RECURSIVE later AS (
                SELECT r.workshop_id, r.id, r.number FROM public.reports_certificate r
                WHERE r.workshop_id = c.workshop_id AND r.replaces_id = c.id AND r.state <> 'preparing'
                UNION
                SELECT r.workshop_id, r.id, r.number FROM later l
                JOIN public.reports_certificate r
                    ON r.workshop_id = l.workshop_id AND r.replaces_id = l.id AND r.state <> 'preparing')
            SELECT max(later.number) FROM later)
    FROM public.reports_certificate c
    JOIN public.reports_certificatefile f ON f.workshop_id = c.workshop_id AND f.certificate_id = c.id
    WHERE c.code = wanted
$$;
"""

AS_BEFORE = """
DROP FUNCTION levelbook_verification(text);

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
"""

RIGHTS = """
GRANT CREATE ON SCHEMA public TO levelbook_gate;
ALTER FUNCTION levelbook_verification(text) OWNER TO levelbook_gate;
REVOKE CREATE ON SCHEMA public FROM levelbook_gate;
REVOKE ALL ON FUNCTION levelbook_verification(text) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION levelbook_verification(text) TO levelbook_app;
"""


class Migration(migrations.Migration):
    dependencies = [("reports", "0011_forecast_passed")]

    operations = [migrations.RunSQL(VERIFICATION + RIGHTS, AS_BEFORE + RIGHTS)]

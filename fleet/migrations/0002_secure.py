"""Row-level security, composite keys, append-only tables, the ledger's chain and the functions before the workshop."""

from django.db import migrations

from fleet.tenancy.migration import AppendOnly, SecureTable, SecureWorkshopTable

REFUSE_CHANGE = """
CREATE FUNCTION levelbook_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'table % is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'LB001';
END $$
"""

CHAIN = """
CREATE FUNCTION levelbook_check_chain() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE last record;
BEGIN
    SELECT sequence, hash INTO last FROM fleet_ledgerentry
        WHERE book = NEW.book ORDER BY sequence DESC LIMIT 1;
    IF NEW.sequence <> COALESCE(last.sequence, 0) + 1
       OR NEW.previous_hash <> COALESCE(last.hash, repeat('0', 64)) THEN
        RAISE EXCEPTION 'ledger entry % of book % does not follow entry %',
            NEW.sequence, NEW.book, COALESCE(last.sequence, 0) USING ERRCODE = 'LB002';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER check_chain BEFORE INSERT ON fleet_ledgerentry
    FOR EACH ROW EXECUTE FUNCTION levelbook_check_chain();
"""

NO_CHAIN = """
DROP TRIGGER check_chain ON fleet_ledgerentry;
DROP FUNCTION levelbook_check_chain();
"""

# The functions run as levelbook_gate, which may read just these columns and is bound by policies of its own.
GATE = """
GRANT SELECT (id, workshop_id, kind, membership_id, digest, expires_at, revoked_at) ON fleet_accesstoken
    TO levelbook_gate;
GRANT SELECT (id, workshop_id, membership_id, digest, expires_at, ended_at) ON fleet_browsersession TO levelbook_gate;
GRANT SELECT (id, workshop_id, membership_id, digest, expires_at) ON fleet_invitation TO levelbook_gate;
GRANT SELECT (id, workshop_id, made_by_id, digest, expires_at) ON fleet_enrolmentcode TO levelbook_gate;
GRANT SELECT (user_id) ON mfa_authenticator TO levelbook_gate;
GRANT SELECT (id, workshop_id, user_id, is_active) ON fleet_membership TO levelbook_gate;
GRANT SELECT (id, name) ON fleet_workshop TO levelbook_gate;
GRANT SELECT (id, workshop_id, state, due_at, leased_until) ON fleet_outboxitem TO levelbook_gate;
CREATE POLICY gate_reads ON fleet_accesstoken FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON fleet_browsersession FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON fleet_invitation FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON fleet_enrolmentcode FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON fleet_membership FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON fleet_workshop FOR SELECT TO levelbook_gate USING (true);
CREATE POLICY gate_reads ON fleet_outboxitem FOR SELECT TO levelbook_gate USING (true);

CREATE FUNCTION levelbook_credential(kind text, wanted bytea)
RETURNS TABLE (credential_id uuid, workshop_id uuid, membership_id uuid)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    -- A token got by password alone rests while the person has a second factor; whether a tablet's is revoked or
    -- expired is judged by the service, since the tablet has to be told.
    SELECT t.id, t.workshop_id, t.membership_id FROM public.fleet_accesstoken t
    WHERE levelbook_credential.kind = 'token' AND t.digest = wanted
      AND (t.kind IN ('tablet', 'person_on_tablet')
           OR t.revoked_at IS NULL AND (t.expires_at IS NULL OR t.expires_at > now()))
      AND NOT (t.kind = 'personal' AND EXISTS (
          SELECT FROM public.fleet_membership m JOIN public.mfa_authenticator a ON a.user_id = m.user_id
          WHERE m.id = t.membership_id))
    UNION ALL
    SELECT s.id, s.workshop_id, s.membership_id FROM public.fleet_browsersession s
    WHERE levelbook_credential.kind = 'session' AND s.digest = wanted AND s.ended_at IS NULL AND s.expires_at > now()
    UNION ALL
    SELECT i.id, i.workshop_id, i.membership_id FROM public.fleet_invitation i
    WHERE levelbook_credential.kind = 'invitation' AND i.digest = wanted AND i.expires_at > now()
    UNION ALL
    SELECT e.id, e.workshop_id, e.made_by_id FROM public.fleet_enrolmentcode e
    WHERE levelbook_credential.kind = 'enrolment' AND e.digest = wanted AND e.expires_at > now()
$$;

CREATE FUNCTION levelbook_memberships(person uuid)
RETURNS TABLE (workshop_id uuid, membership_id uuid, workshop_name text)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    SELECT w.id, m.id, w.name::text FROM public.fleet_membership m
    JOIN public.fleet_workshop w ON w.id = m.workshop_id
    WHERE m.user_id = person AND m.is_active ORDER BY w.name, w.id
$$;

CREATE FUNCTION levelbook_due_work(most integer)
RETURNS TABLE (workshop_id uuid, item_id uuid)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    SELECT o.workshop_id, o.id FROM public.fleet_outboxitem o
    WHERE o.state = 'waiting' AND o.due_at <= now() AND (o.leased_until IS NULL OR o.leased_until <= now())
    ORDER BY o.due_at LIMIT most
$$;

GRANT CREATE ON SCHEMA public TO levelbook_gate;
ALTER FUNCTION levelbook_credential(text, bytea) OWNER TO levelbook_gate;
ALTER FUNCTION levelbook_memberships(uuid) OWNER TO levelbook_gate;
ALTER FUNCTION levelbook_due_work(integer) OWNER TO levelbook_gate;
REVOKE CREATE ON SCHEMA public FROM levelbook_gate;
REVOKE ALL ON FUNCTION levelbook_credential(text, bytea), levelbook_memberships(uuid), levelbook_due_work(integer)
    FROM PUBLIC;
GRANT EXECUTE ON FUNCTION levelbook_credential(text, bytea), levelbook_memberships(uuid), levelbook_due_work(integer)
    TO levelbook_app;
"""

NO_GATE = """
DROP FUNCTION levelbook_credential(text, bytea);
DROP FUNCTION levelbook_memberships(uuid);
DROP FUNCTION levelbook_due_work(integer);
DROP POLICY gate_reads ON fleet_accesstoken;
DROP POLICY gate_reads ON fleet_browsersession;
DROP POLICY gate_reads ON fleet_enrolmentcode;
DROP POLICY gate_reads ON fleet_invitation;
DROP POLICY gate_reads ON fleet_membership;
DROP POLICY gate_reads ON fleet_workshop;
DROP POLICY gate_reads ON fleet_outboxitem;
"""

# Nobody has a second e-mail address and none is confirmed by code: an invitation was sent to the only one.
ALLAUTH = """
REVOKE INSERT, UPDATE, DELETE ON account_emailaddress FROM levelbook_app;
REVOKE ALL ON account_emailconfirmation FROM levelbook_app;
"""

NO_ALLAUTH = """
GRANT INSERT, UPDATE, DELETE ON account_emailaddress TO levelbook_app;
GRANT SELECT, INSERT, UPDATE, DELETE ON account_emailconfirmation TO levelbook_app;
"""

# Failed attempts belong to no workshop and anybody can cause them, so they are not kept for ever: old ones may be
# removed, by this function only.
REFUSALS = """
DROP TRIGGER append_only_row ON fleet_refusedsignin;
CREATE TRIGGER append_only_row BEFORE UPDATE ON fleet_refusedsignin
    FOR EACH ROW EXECUTE FUNCTION levelbook_refuse_change();
CREATE TRIGGER kept_for_a_time BEFORE DELETE ON fleet_refusedsignin
    FOR EACH ROW WHEN (OLD.happened_at > now() - interval '90 days') EXECUTE FUNCTION levelbook_refuse_change();
GRANT SELECT (happened_at), DELETE ON fleet_refusedsignin TO levelbook_gate;

CREATE FUNCTION levelbook_clear_refused_sign_ins() RETURNS bigint
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    WITH cleared AS (
        DELETE FROM public.fleet_refusedsignin WHERE happened_at <= now() - interval '90 days' RETURNING happened_at
    )
    SELECT count(*) FROM cleared
$$;

GRANT CREATE ON SCHEMA public TO levelbook_gate;
ALTER FUNCTION levelbook_clear_refused_sign_ins() OWNER TO levelbook_gate;
REVOKE CREATE ON SCHEMA public FROM levelbook_gate;
REVOKE ALL ON FUNCTION levelbook_clear_refused_sign_ins() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION levelbook_clear_refused_sign_ins() TO levelbook_app;
"""

REFUSALS_FOR_EVER = """
DROP FUNCTION levelbook_clear_refused_sign_ins();
DROP TRIGGER kept_for_a_time ON fleet_refusedsignin;
DROP TRIGGER append_only_row ON fleet_refusedsignin;
CREATE TRIGGER append_only_row BEFORE UPDATE OR DELETE ON fleet_refusedsignin
    FOR EACH ROW EXECUTE FUNCTION levelbook_refuse_change();
"""

TENANT_TABLES = [
    "operator",
    "membership",
    "invitation",
    "tablet",
    "accesstoken",
    "browsersession",
    "enrolmentcode",
    "outboxkey",
    "outboxfile",
    "signinevent",
    "vehiclemodel",
    "specification",
    "vehicle",
    "vincorrection",
    "tenure",
    "fitment",
    "serviceevent",
    "instrument",
    "instrumentcalibration",
    "instrumentwithdrawal",
    "bay",
    "ledgerentry",
    "receipt",
    "outboxitem",
    "numbering",
]
RECORD_TABLES = [
    "signinevent",
    "refusedsignin",
    "specification",
    "vincorrection",
    "fitment",
    "serviceevent",
    "instrumentcalibration",
    "instrumentwithdrawal",
    "ledgerentry",
    "receipt",
]


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0001_initial"),
        ("account", "0009_emailaddress_unique_primary_email"),
        ("mfa", "0003_authenticator_type_uniq"),
    ]

    operations = [
        migrations.RunSQL(REFUSE_CHANGE, "DROP FUNCTION levelbook_refuse_change()"),
        SecureWorkshopTable("workshop"),
        *[SecureTable(name) for name in TENANT_TABLES],
        *[AppendOnly(name) for name in RECORD_TABLES],
        migrations.RunSQL(CHAIN, NO_CHAIN),
        migrations.RunSQL(GATE, NO_GATE),
        migrations.RunSQL(REFUSALS, REFUSALS_FOR_EVER),
        migrations.RunSQL(ALLAUTH, NO_ALLAUTH),
        migrations.RunSQL(
            "INSERT INTO fleet_installation (id, epoch, epoch_began_at) VALUES (1, gen_random_uuid(), now())",
            "",
        ),
    ]

-- What the roles may do inside one Levelbook database. Run in that database as its owner or a superuser;
-- repeatable. Needed again in every new database: privileges do not travel between databases.

DO $database$
BEGIN
    EXECUTE format('REVOKE ALL ON DATABASE %I FROM PUBLIC', current_database());
    -- No TEMPORARY: a temporary table could shadow one that a SECURITY DEFINER function reads.
    EXECUTE format('GRANT CONNECT ON DATABASE %I TO levelbook_app', current_database());
END
$database$;

GRANT USAGE ON SCHEMA public TO levelbook_app, levelbook_gate;

-- Append-only tables take UPDATE and DELETE away again in their own migration.
ALTER DEFAULT PRIVILEGES FOR ROLE levelbook_owner IN SCHEMA public
    GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO levelbook_app;
ALTER DEFAULT PRIVILEGES FOR ROLE levelbook_owner IN SCHEMA public
    GRANT USAGE, SELECT ON SEQUENCES TO levelbook_app;

-- The roles of Levelbook. The embedded database runs this by itself. For a PostgreSQL of your own (16 or
-- later) an administrator runs once, and may repeat:
--
--     psql -f deploy/roles.sql postgres
--     psql -c '\password levelbook_owner' -c '\password levelbook_app' postgres
--     createdb --owner=levelbook_owner --encoding=UTF8 levelbook
--     psql -f deploy/grants.sql levelbook
--
-- then sets DATABASE_URL (levelbook_app) for the service and DATABASE_OWNER_URL (levelbook_owner) for
-- `manage.py migrate`, and DATABASE_ADMIN_URL (a superuser) for `manage.py backup` and `restore`.

DO $roles$
DECLARE
    role_name text;
BEGIN
    FOREACH role_name IN ARRAY ARRAY['levelbook_owner', 'levelbook_app', 'levelbook_gate'] LOOP
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = role_name) THEN
            EXECUTE format('CREATE ROLE %I', role_name);
        END IF;
    END LOOP;
END
$roles$;

-- Owns database and tables, runs migrations, makes test databases.
ALTER ROLE levelbook_owner LOGIN CREATEDB NOCREATEROLE NOSUPERUSER NOBYPASSRLS;
-- What the service connects as: row-level security binds it and it owns nothing.
ALTER ROLE levelbook_app LOGIN NOCREATEDB NOCREATEROLE NOSUPERUSER NOBYPASSRLS;
-- Owner of the SECURITY DEFINER functions; nobody signs in as it. Migrations hand functions over to it,
-- for which the owner must be its member.
ALTER ROLE levelbook_gate NOLOGIN NOCREATEDB NOCREATEROLE NOSUPERUSER NOBYPASSRLS;
GRANT levelbook_gate TO levelbook_owner WITH INHERIT TRUE, SET TRUE;

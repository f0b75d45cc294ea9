"""What a migration adds to a tenant table beyond Django's columns.

`SecureTable` gives one table `UNIQUE (workshop_id, id)`, composite foreign keys so that no reference crosses
workshops, and forced row-level security. `AppendOnly` makes the database refuse UPDATE, DELETE and TRUNCATE.
Foreign keys between tenant tables are declared in Django with `db_constraint=False`: the composite key is the
real one.
"""

from __future__ import annotations

from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState
from django.db.models import ForeignKey, Model

OWN_WORKSHOP = "(SELECT NULLIF(current_setting('app.workshop', true), '')::uuid)"


class _TableOperation(Operation):
    """A reversible statement list about one table; changes no model state."""

    reduces_to_sql = True
    reversible = True

    def __init__(self, model_name: str) -> None:
        self.model_name = model_name

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        return self.__class__.__name__, [self.model_name], {}

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        return None

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: Any, to_state: Any
    ) -> None:
        for statement in self.forward_sql(to_state.apps.get_model(app_label, self.model_name)):
            schema_editor.execute(statement)

    def database_backwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: Any, to_state: Any
    ) -> None:
        for statement in self.backward_sql(from_state.apps.get_model(app_label, self.model_name)):
            schema_editor.execute(statement)

    def forward_sql(self, model: type[Model]) -> list[str]:
        raise NotImplementedError

    def backward_sql(self, model: type[Model]) -> list[str]:
        raise NotImplementedError


class SecureTable(_TableOperation):
    """Unique (workshop_id, id), composite foreign keys, forced row-level security."""

    def describe(self) -> str:
        return f"Secure the tenant table of {self.model_name}"

    def forward_sql(self, model: type[Model]) -> list[str]:
        table = model._meta.db_table
        return [
            f'ALTER TABLE "{table}" ADD CONSTRAINT "{table}_workshop_id_id_key" UNIQUE (workshop_id, id)',
            *[composite_key_sql(model, field) for field in tenant_foreign_keys(model)],
            *row_level_security_sql(table, "workshop_id"),
        ]

    def backward_sql(self, model: type[Model]) -> list[str]:
        table = model._meta.db_table
        return [
            f'DROP POLICY own_workshop ON "{table}"',
            f'ALTER TABLE "{table}" NO FORCE ROW LEVEL SECURITY, DISABLE ROW LEVEL SECURITY',
            *[
                f'ALTER TABLE "{table}" DROP CONSTRAINT "{composite_key_name(model, field)}"'
                for field in tenant_foreign_keys(model)
            ],
            f'ALTER TABLE "{table}" DROP CONSTRAINT "{table}_workshop_id_id_key"',
        ]


class SecureWorkshopTable(_TableOperation):
    """The workshop table itself: the tenant is the row's own id. The owner may list workshops."""

    def describe(self) -> str:
        return "Secure the workshop table"

    def forward_sql(self, model: type[Model]) -> list[str]:
        table = model._meta.db_table
        return [
            *row_level_security_sql(table, "id"),
            f'CREATE POLICY owner_lists ON "{table}" FOR SELECT TO CURRENT_USER USING (true)',
        ]

    def backward_sql(self, model: type[Model]) -> list[str]:
        table = model._meta.db_table
        return [
            f'DROP POLICY owner_lists ON "{table}"',
            f'DROP POLICY own_workshop ON "{table}"',
            f'ALTER TABLE "{table}" NO FORCE ROW LEVEL SECURITY, DISABLE ROW LEVEL SECURITY',
        ]


class AppendOnly(_TableOperation):
    """Triggers that refuse UPDATE, DELETE and TRUNCATE for every role, the owner included."""

    def describe(self) -> str:
        return f"Make the table of {self.model_name} append-only"

    def forward_sql(self, model: type[Model]) -> list[str]:
        table = model._meta.db_table
        return [
            f'CREATE TRIGGER append_only_row BEFORE UPDATE OR DELETE ON "{table}" '
            "FOR EACH ROW EXECUTE FUNCTION levelbook_refuse_change()",
            f'CREATE TRIGGER append_only_table BEFORE TRUNCATE ON "{table}" '
            "FOR EACH STATEMENT EXECUTE FUNCTION levelbook_refuse_change()",
            f'REVOKE UPDATE, DELETE, TRUNCATE ON "{table}" FROM levelbook_app',
        ]

    def backward_sql(self, model: type[Model]) -> list[str]:
        table = model._meta.db_table
        return [
            f'GRANT UPDATE, DELETE ON "{table}" TO levelbook_app',
            f'DROP TRIGGER append_only_table ON "{table}"',
            f'DROP TRIGGER append_only_row ON "{table}"',
        ]


def tenant_foreign_keys(model: type[Model]) -> list[ForeignKey[Any, Any]]:
    """The model's foreign keys to other tenant tables."""
    return [
        field
        for field in model._meta.local_fields
        if isinstance(field, ForeignKey)
        and field.name != "workshop"
        and any(remote.name == "workshop" for remote in field.remote_field.model._meta.local_fields)
    ]


def composite_key_name(model: type[Model], field: ForeignKey[Any, Any]) -> str:
    return f"{model._meta.db_table}_{field.column}_same_workshop"


def composite_key_sql(model: type[Model], field: ForeignKey[Any, Any]) -> str:
    """The composite foreign key (workshop_id, x_id) for one Django foreign key."""
    return (
        f'ALTER TABLE "{model._meta.db_table}" ADD CONSTRAINT "{composite_key_name(model, field)}" '
        f'FOREIGN KEY (workshop_id, "{field.column}") '
        f'REFERENCES "{field.remote_field.model._meta.db_table}" (workshop_id, id)'
    )


def row_level_security_sql(table: str, column: str) -> list[str]:
    return [
        f'ALTER TABLE "{table}" ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY',
        f'CREATE POLICY own_workshop ON "{table}" '
        f'USING ("{column}" = {OWN_WORKSHOP}) WITH CHECK ("{column}" = {OWN_WORKSHOP})',
    ]

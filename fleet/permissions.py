"""Who may do what: the one table of permissions, roles and integrators' scopes."""

from __future__ import annotations

from enum import StrEnum

from django.utils.translation import gettext as _

from .actor import SYSTEM_ROLE, Actor
from .errors import Forbidden
from .models import Role

MANAGER, TECHNICIAN, AUDITOR = Role.MANAGER.value, Role.TECHNICIAN.value, Role.AUDITOR.value
CONTACT, INTEGRATOR = Role.OPERATOR_CONTACT.value, Role.INTEGRATOR.value


class Permission(StrEnum):
    """What a person may be allowed to do; the value is also an integrator's scope."""

    READ_WORKSHOP = "read"
    """Everything of the workshop but its people's tokens."""
    READ_OWN_VEHICLES = "read:own_vehicles"
    SET_UP = "setup:write"
    """Specifications, instruments, bays, operators, people, settings, imports, exports."""
    ADD_VEHICLES = "vehicles:write"
    RECORD_FACTS = "facts:write"
    """Jobs, readiness, rounds, writes, events, fitments, checks; proposals are computed from them."""
    SIGN_OFF = "sign_off"
    DECIDE = "decide"
    """Approvals: a manager or a named deputy."""
    RULE = "rule"
    """Rulings, refiling, resets, replacement certificates: a manager."""
    RECORD_CHECKS = "checks:write"


_ROLES: dict[Permission, frozenset[str]] = {
    Permission.READ_WORKSHOP: frozenset({MANAGER, TECHNICIAN, AUDITOR}),
    Permission.READ_OWN_VEHICLES: frozenset({MANAGER, TECHNICIAN, AUDITOR, CONTACT}),
    Permission.SET_UP: frozenset({MANAGER}),
    Permission.ADD_VEHICLES: frozenset({MANAGER, TECHNICIAN}),
    Permission.RECORD_FACTS: frozenset({MANAGER, TECHNICIAN}),
    Permission.SIGN_OFF: frozenset({MANAGER, TECHNICIAN}),
    Permission.DECIDE: frozenset({MANAGER}),
    Permission.RULE: frozenset({MANAGER}),
    Permission.RECORD_CHECKS: frozenset({MANAGER, TECHNICIAN, CONTACT}),
}

INTEGRATOR_SCOPES = frozenset(
    {Permission.READ_WORKSHOP, Permission.ADD_VEHICLES, Permission.RECORD_FACTS, Permission.RECORD_CHECKS}
)
"""An integrator's token never signs, decides, rules or sets up."""


def may(actor: Actor, permission: Permission) -> bool:
    if SYSTEM_ROLE in actor.roles or actor.roles & _ROLES[permission]:
        return True
    if permission is Permission.DECIDE and actor.may_approve:
        return True
    return INTEGRATOR in actor.roles and bool(_scopes_for(permission) & actor.scopes)


def _scopes_for(permission: Permission) -> frozenset[str]:
    """Scopes of a token that carry a permission: its own, and reading everything covers reading a part."""
    carrying = {permission}
    if permission is Permission.READ_OWN_VEHICLES:
        carrying.add(Permission.READ_WORKSHOP)
    return frozenset(each.value for each in carrying & INTEGRATOR_SCOPES)


def require(actor: Actor, permission: Permission) -> None:
    """Refuse with what is missing and whom to ask."""
    if may(actor, permission):
        return
    needed = ", ".join(sorted(_ROLES[permission]))
    if permission is Permission.DECIDE:
        raise Forbidden(
            _("This needs a manager, or a person whom a manager has named as one who may approve."), code="role_missing"
        )
    raise Forbidden(
        _("This needs one of the roles: %(roles)s. Ask a manager of your workshop.") % {"roles": needed},
        code="role_missing",
    )

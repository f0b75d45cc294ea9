"""What exists: the workshop and its people, operators, vehicles, instruments, and the ledger under all."""

from .base import RecordModel, TenantModel, VersionedModel
from .instruments import Bay, Instrument, InstrumentCalibration, InstrumentWithdrawal
from .ledger import LedgerEntry, Numbering, OutboxItem, Receipt
from .outbox_files import OutboxFile, OutboxKey
from .people import AccessToken, Invitation, Membership, Role, User
from .sign_in import BrowserSession, CalendarFeed, EnrolmentCode, RefusedSignIn, SignInEvent, Tablet
from .tree import Checkpoint, HeadConflict, LedgerLeaf
from .vehicles import (
    Fitment,
    Operator,
    ServiceEvent,
    Specification,
    Tenure,
    Vehicle,
    VehicleModel,
    VinCorrection,
)
from .workshop import Installation, Workshop

__all__ = [
    "AccessToken",
    "Bay",
    "BrowserSession",
    "CalendarFeed",
    "Checkpoint",
    "EnrolmentCode",
    "Fitment",
    "HeadConflict",
    "Installation",
    "Instrument",
    "InstrumentCalibration",
    "InstrumentWithdrawal",
    "Invitation",
    "LedgerEntry",
    "LedgerLeaf",
    "Membership",
    "Numbering",
    "Operator",
    "OutboxFile",
    "OutboxItem",
    "OutboxKey",
    "Receipt",
    "RecordModel",
    "RefusedSignIn",
    "Role",
    "ServiceEvent",
    "SignInEvent",
    "Specification",
    "Tablet",
    "TenantModel",
    "Tenure",
    "User",
    "Vehicle",
    "VehicleModel",
    "VersionedModel",
    "VinCorrection",
    "Workshop",
]

"""What leaves the workshop: certificates, findings reports, alerts of drift, e-mails, webhooks and archives."""

from .alerts import DriftAlert
from .archives import ArchiveIntake, Export
from .certificates import Certificate, CertificateFile
from .imports import Import, ImportedVehicle, ImportFile, ImportFilePart, RowProblem, SeenRow
from .notices import DeclinedNotice, Notice, Reminder
from .webhooks import Webhook, WebhookAttempt, WebhookDelivery, WebhookSecret

__all__ = [
    "ArchiveIntake",
    "Certificate",
    "CertificateFile",
    "DeclinedNotice",
    "DriftAlert",
    "Export",
    "Import",
    "ImportFile",
    "ImportFilePart",
    "ImportedVehicle",
    "Notice",
    "Reminder",
    "RowProblem",
    "SeenRow",
    "Webhook",
    "WebhookAttempt",
    "WebhookDelivery",
    "WebhookSecret",
]

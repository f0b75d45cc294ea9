"""What leaves the workshop: certificates, findings reports, alerts of drift, e-mails and webhooks."""

from .alerts import DriftAlert
from .certificates import Certificate, CertificateFile
from .imports import Import, ImportedVehicle, ImportFile, ImportFilePart, RowProblem, SeenRow
from .notices import DeclinedNotice, Notice, Reminder
from .webhooks import Webhook, WebhookAttempt, WebhookDelivery, WebhookSecret

__all__ = [
    "Certificate",
    "CertificateFile",
    "DeclinedNotice",
    "DriftAlert",
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

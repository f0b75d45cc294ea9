"""Row-level security, composite keys and append-only tables of calibration."""

from django.db import migrations

from fleet.tenancy.migration import AppendOnly, SecureTable

RECORD_TABLES = [
    "readiness",
    "pause",
    "resumption",
    "reversion",
    "jobend",
    "signoff",
    "refiling",
    "baselinereset",
    "round",
    "reading",
    "readingstrike",
    "assessment",
    "leaktest",
    "proposal",
    "write",
    "concession",
    "approval",
    "decision",
    "finding",
    "ruling",
    "photo",
    "heightcheck",
    "heightcheckreading",
    "heightcheckstrike",
    "heightcheckphoto",
    "jobprior",
    "driftrateprior",
]
CHANGING_TABLES = ["job", "repeatabilitysums", "responseposterior", "driftseries", "driftstate"]


class Migration(migrations.Migration):
    dependencies = [("calibration", "0001_initial"), ("fleet", "0002_secure")]

    operations = [
        *[SecureTable(name) for name in (*CHANGING_TABLES, *RECORD_TABLES)],
        *[AppendOnly(name) for name in RECORD_TABLES],
    ]

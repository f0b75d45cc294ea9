"""What leaves the workshop: certificates, findings reports, and alerts of drift."""

from .alerts import DriftAlert
from .certificates import Certificate, CertificateFile

__all__ = ["Certificate", "CertificateFile", "DriftAlert"]

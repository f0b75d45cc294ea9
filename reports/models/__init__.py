"""What leaves the workshop: certificates and findings reports."""

from .certificates import Certificate, CertificateFile

__all__ = ["Certificate", "CertificateFile"]

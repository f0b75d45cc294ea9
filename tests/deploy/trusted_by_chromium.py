"""Makes a home folder in which Chromium on Linux trusts a certificate authority: `python FILE HOME CERTIFICATE`.

Chromium reads what its user trusts from a database of NSS, the library that it is installed with. A process of its
own does the writing, since the library keeps what it opened for as long as the process lives.
"""

from __future__ import annotations

import sys
from ctypes import CDLL, Structure, byref, c_char_p, c_int, c_uint, c_ulong, c_void_p
from pathlib import Path
from typing import Any

DATABASE = Path(".local/share/pki/nssdb")
FORMER_DATABASE = Path(".pki/nssdb")
TRUSTED_FOR_WEBSITES = b"C,,"


class Trust(Structure):
    _fields_ = (("ssl", c_uint), ("email", c_uint), ("code", c_uint))


def trust(home: Path, certificate: bytes) -> None:
    """Put a DER or PEM certificate among the authorities that this home's user trusts for websites."""
    # Where the former place exists Chromium keeps to it; every version knows it.
    folder = home / FORMER_DATABASE
    folder.mkdir(parents=True)
    nss = _library()
    _require(nss.NSS_InitReadWrite(f"sql:{folder}".encode()) == 0, "open the database")
    slot = nss.PK11_GetInternalKeySlot()
    _require(nss.PK11_InitPin(slot, None, b"") == 0, "set an empty password")
    decoded = _decoder()(certificate, len(certificate))
    _require(decoded, "read the certificate")
    _require(nss.PK11_ImportCert(slot, decoded, 0, b"local authority", 0) == 0, "store the certificate")
    wanted = Trust()
    _require(nss.CERT_DecodeTrustString(byref(wanted), TRUSTED_FOR_WEBSITES) == 0, "read the trust")
    changed = nss.CERT_ChangeCertTrust(nss.CERT_GetDefaultCertDB(), decoded, byref(wanted))
    _require(changed == 0, "store the trust")
    nss.CERT_DestroyCertificate(decoded)
    nss.PK11_FreeSlot(slot)
    _require(nss.NSS_Shutdown() == 0, "close the database")


def _library() -> CDLL:
    nss = CDLL("libnss3.so")
    nss.NSS_InitReadWrite.argtypes = [c_char_p]
    nss.PK11_GetInternalKeySlot.restype = c_void_p
    nss.PK11_InitPin.argtypes = [c_void_p, c_char_p, c_char_p]
    nss.PK11_ImportCert.argtypes = [c_void_p, c_void_p, c_ulong, c_char_p, c_int]
    nss.CERT_DecodeTrustString.argtypes = [c_void_p, c_char_p]
    nss.CERT_GetDefaultCertDB.restype = c_void_p
    nss.CERT_ChangeCertTrust.argtypes = [c_void_p, c_void_p, c_void_p]
    nss.CERT_DestroyCertificate.argtypes = [c_void_p]
    nss.CERT_DestroyCertificate.restype = None
    nss.PK11_FreeSlot.argtypes = [c_void_p]
    nss.PK11_FreeSlot.restype = None
    return nss


def _decoder() -> Any:
    decode = CDLL("libsmime3.so").CERT_DecodeCertFromPackage
    decode.argtypes = [c_char_p, c_int]
    decode.restype = c_void_p
    return decode


def _require(is_done: object, step: str) -> None:
    if not is_done:
        sys.exit(f"NSS could not {step}.")


if __name__ == "__main__":
    trust(Path(sys.argv[1]), Path(sys.argv[2]).read_bytes())

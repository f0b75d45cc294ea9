"""What anybody learns of a certificate's file that they have: whether it is as it was issued, and still holds.

The checks are those of the script that works without the service (`deploy/verify_certificate.py`), which the deployment
registers here. The service adds what the file alone cannot tell: that it is the very file, and whether it was replaced.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from fleet.checkpoint_keys import known_keys
from fleet.registering import register_all
from fleet.signed_heads import ED25519

from .certificates import Verification, verification

LARGEST_FILE: Final = 5_000_000
KEY_KNOWN: Final = "key_known"
"""The check whether a key of this service signed the head."""


@dataclass(frozen=True, slots=True)
class CheckResult:
    """`name` is stable, `detail` a sentence in English."""

    name: str
    holds: bool
    detail: str


@dataclass(frozen=True)
class CheckedFile:
    """What the checks found in a file; `document` is empty where it could not be read."""

    sha256: str
    results: Sequence[CheckResult]
    document: dict[str, Any]

    @property
    def holds(self) -> bool:
        return not self.failed

    @property
    def failed(self) -> list[str]:
        return [each.name for each in self.results if not each.holds]


Checker = Callable[[bytes, Sequence[str]], CheckedFile | None]
"""Takes a file's bytes and the verifier keys that are known; None of what cannot be read."""
_checkers: list[tuple[Checker, bytes]] = []


def register_checker(checker: Checker, script: bytes) -> None:
    """`script` is the program that does the same without the service, for whoever wants it."""
    _checkers[:] = [(checker, script)]


def _registered() -> tuple[Checker, bytes]:
    register_all("certificate_checker")
    ((checker, script),) = _checkers
    return checker, script


def checking_script() -> bytes:
    _checker, script = _registered()
    return script


def checking_script_sha256() -> str:
    return hashlib.sha256(checking_script()).hexdigest()


@dataclass(frozen=True)
class FileVerification:
    """`state` is valid, replaced, altered (a check does not hold), not_issued (all holds, but it is another file) or
    unknown_key (it is the very file, but no key that is known here signed its head: `FORMER_CHECKPOINT_KEYS`).

    `certificate` is what was issued under the code that the file names.
    """

    state: str
    file: CheckedFile
    certificate: Verification | None


def file_verification(content: bytes) -> FileVerification | None:
    """Of a file's bytes; None where it is no file that can be read."""
    checker, _script = _registered()
    file = checker(content, published_keys())
    if file is None:
        return None
    code = file.document.get("verification_code")
    certificate = verification(code) if isinstance(code, str) else None
    return FileVerification(_state(file, certificate), file, certificate)


def _state(file: CheckedFile, certificate: Verification | None) -> str:
    is_very_file = certificate is not None and certificate.sha256 == file.sha256
    if not file.holds:
        return "unknown_key" if is_very_file and file.failed == [KEY_KNOWN] else "altered"
    if not is_very_file:
        return "not_issued"
    assert certificate is not None
    return "replaced" if certificate.state == "replaced" else "valid"


def published_keys() -> list[str]:
    """The public keys by which heads are signed here, today's first, as `--key` of the script takes them."""
    return [base64.b64encode(ED25519 + key.public_bytes_raw()).decode() for key in known_keys()]

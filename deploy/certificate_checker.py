"""The script that checks certificates without the service, as the service itself uses it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from deploy import verify_certificate
from deploy.verify_certificate import Unreadable, check
from reports.selectors.certificate_files import CheckedFile, CheckResult, register_checker


def script() -> bytes:
    """The one file, as it is handed out."""
    return Path(verify_certificate.__file__).read_bytes()


def checked(content: bytes, keys: Sequence[str]) -> CheckedFile | None:
    try:
        report = check(content, keys)
    except Unreadable:
        return None
    results = [CheckResult(each.name, each.holds, each.said) for each in report.results]
    return CheckedFile(report.sha256, results, report.document)


register_checker(checked, script())

"""The published schema describes what certificates carry, all of it and nothing else."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from jsonschema import Draft202012Validator  # type: ignore[import-untyped, unused-ignore]

from deploy import verify_certificate
from fleet.canonical import canonical
from reports.certificate import document as doc
from reports.certificate.document import to_json
from reports.certificate.proof import record_json
from reports.certificate.schema import schema_text
from reports.certificate.schema.writing import schema_json
from reports.selectors.certificate_files import published_keys

from . import sample_extremes
from .sample_proof import sample_proof

SCHEMA: dict[str, Any] = json.loads(schema_text())
VALIDATOR = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)


def record_of(document: doc.Document) -> dict[str, Any]:
    snapshot = to_json(document)
    record: dict[str, Any] = json.loads(record_json(snapshot, sample_proof(snapshot), "7"))
    return record


def test_the_file_is_that_of_the_documents_classes() -> None:
    """`python -m reports.certificate.schema.writing` writes it anew."""
    assert schema_text() == schema_json()


def test_it_is_a_valid_schema_and_describes_every_member() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    undescribed = [where for where, member in members(SCHEMA) if not told(member)]
    assert not undescribed


@pytest.mark.parametrize("make", sample_extremes.ALL.values(), ids=sample_extremes.ALL)
def test_every_record_fits(make: Callable[[], doc.Document]) -> None:
    assert not list(VALIDATOR.iter_errors(record_of(make())))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("format",), "levelbook-certificate/2"),
        (("document", "number"), 7),
        (("document", "as_left", "verdict"), "excellent"),
        (("document", "colour"), "blue"),
        (("document", "issued_at"), "yesterday"),
        (("entry", "hash"), "0" * 63),
        (("entry", "payload", "facts", "more"), 1),
        (("inclusion", "leaf_index"), -1),
        (("verifier_key",), "key"),
    ],
)
def test_what_is_otherwise_does_not_fit(place: tuple[str, ...], value: object) -> None:
    record = record_of(sample_extremes.ALL["certificate"]())
    inner = record
    for name in place[:-1]:
        inner = inner[name]
    inner[place[-1]] = value
    assert list(VALIDATOR.iter_errors(record))


def test_a_missing_member_is_noticed() -> None:
    record = record_of(sample_extremes.ALL["certificate"]())
    for name in record:
        shorter = deepcopy(record)
        del shorter[name]
        assert list(VALIDATOR.iter_errors(shorter)), name


def test_anyone_may_read_it(client: Client) -> None:
    answer = client.get("/verify/schema/certificate-1.json")
    assert answer.status_code == 200
    assert answer["Content-Type"] == "application/schema+json"
    assert json.loads(answer.content) == SCHEMA


def test_the_record_is_canonical() -> None:
    snapshot = to_json(sample_extremes.ALL["certificate"]())
    record = record_json(snapshot, sample_proof(snapshot), "7")
    assert record == canonical(json.loads(record))


def members(schema: Any, where: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(schema, dict):
        for name, member in schema.get("properties", {}).items():
            yield f"{where}/{name}", member
            yield from members(member, f"{where}/{name}")
        for name, each in schema.get("$defs", {}).items():
            yield from members(each, f"{where}#{name}")


def told(member: dict[str, Any]) -> str:
    """A member's own description, or that of what it refers to."""
    referred = SCHEMA["$defs"].get(member.get("$ref", "").removeprefix("#/$defs/"), {})
    return str(member.get("description") or referred.get("description", ""))


class TestScript:
    def test_anyone_may_have_the_very_file_and_its_hash(self, client: Client) -> None:
        answer = client.get("/verify/verify_certificate.py")
        assert (answer.status_code, answer["Content-Type"]) == (200, "text/x-python; charset=utf-8")
        assert answer["Content-Disposition"] == 'attachment; filename="verify_certificate.py"'
        assert answer.content == Path(verify_certificate.__file__).read_bytes()
        sha256 = hashlib.sha256(answer.content).hexdigest()
        assert sha256 in client.get("/verify/").content.decode()
        told = client.get("/verify/", headers={"Accept": "application/json"}).json()
        assert (told["script"], told["script_sha256"]) == ("/verify/verify_certificate.py", sha256)

    def test_it_is_sent_again_only_when_it_is_another(self, client: Client) -> None:
        answer = client.get("/verify/verify_certificate.py")
        same = client.get("/verify/verify_certificate.py", headers={"If-None-Match": answer["ETag"]})
        assert (same.status_code, same.content) == (304, b"")

    def test_it_runs_by_itself_as_the_page_says(self, client: Client, tmp_path: Path) -> None:
        script, paper = tmp_path / "verify_certificate.py", tmp_path / "certificate.pdf"
        script.write_bytes(client.get("/verify/verify_certificate.py").content)
        paper.write_bytes(b"no certificate")
        ran = subprocess.run(
            [sys.executable, "-I", script, paper, "--key", published_keys()[0]], cwd=tmp_path, capture_output=True
        )
        assert ran.returncode == 2, ran.stderr

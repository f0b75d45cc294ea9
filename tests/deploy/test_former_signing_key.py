"""An installation whose signing key was lost: its old certificates are proven once the old public key is named.

Made as an administrator comes to it: a backup, restored on another machine with `--accept-new-signing-key`.
"""

from __future__ import annotations

import base64
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.utils import timezone
from pytest_django import DjangoDbBlocker

from deploy.embedded.folder import CHECKOUT, data_folder
from fleet import outbox
from fleet.actor import Actor
from fleet.checkpoint_keys import signing_key
from fleet.signed_heads import ED25519
from fleet.tenancy import in_workshop
from reports.models import CertificateFile
from reports.services.certificates import certificate_prepare
from tests.campaigns.certificates.campaign import SCRIPT
from tests.campaigns.certificates.making import record_of
from tests.database import connected_to, copied_database
from tests.factories import make_site
from tests.reports import jobs

from .test_backup import done, environment_of, manage

SETTING = "FORMER_CHECKPOINT_KEYS"
ELSEWHERE = {"CHECKPOINT_KEY": "of another machine"}
HANDED_IN = """
import json, sys, django
django.setup()
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.test.utils import setup_test_environment

setup_test_environment()
plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}  # nothing was collected here
settings.STORAGES = {**settings.STORAGES, "staticfiles": plain}
content = open(sys.argv[1], "rb").read()
said = {
    form: Client().post("/verify/", {"file": SimpleUploadedFile("x.pdf", content)}, HTTP_ACCEPT=form).content.decode()
    for form in ("application/json", "text/html")
}
print(json.dumps(said))
"""


@dataclass(frozen=True)
class Moved:
    """The machine to which it was restored, and a certificate of before."""

    environment: dict[str, str]
    certificate: Path
    old_key: str
    """As its file has it: name, hash and base64."""

    @property
    def knowing(self) -> dict[str, str]:
        """The same machine after its administrator named the old public key."""
        return self.environment | {SETTING: self.old_key}


@pytest.fixture(scope="module")
def moved(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Moved]:
    folder = tmp_path_factory.mktemp("moved")
    (folder / "files").mkdir()
    with copied_database(data_folder(), "moved") as name:
        with django_db_blocker.unblock(), connected_to(name), pytest.MonkeyPatch.context() as patch:
            patch.setattr(outbox, "hint", lambda _workshop, _item: None)
            (folder / "certificate.pdf").write_bytes(issued())
        here = environment_of(name, folder / "files")
        done(here, "backup", folder / "backup")
        elsewhere = here | ELSEWHERE
        done(elsewhere, "restore", folder / "backup", "--replace", "--accept-new-signing-key")
        certificate = folder / "certificate.pdf"
        yield Moved(elsewhere, certificate, json.loads(record_of(certificate.read_bytes()))["verifier_key"])


def issued() -> bytes:
    """The file of a certificate that a workshop issues for a finished job."""
    site = make_site()
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        certificate = certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
        assert certificate is not None
        return bytes(CertificateFile.objects.get(certificate=certificate).pdf)


def by_script(moved: Moved, *keys: str) -> subprocess.CompletedProcess[str]:
    named = [part for key in keys for part in ("--key", key)]
    command = [sys.executable, "-I", str(SCRIPT), str(moved.certificate), *named]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def by_page(moved: Moved, environment: dict[str, str]) -> tuple[dict[str, Any], str]:
    """What the installation answers to whoever hands the file in: to a program, and as a page."""
    command = [sys.executable, "-c", HANDED_IN, str(moved.certificate)]
    there = environment | {"DJANGO_SETTINGS_MODULE": "deploy.settings"}
    ended = subprocess.run(command, env=there, cwd=CHECKOUT, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr
    said = json.loads(ended.stdout)
    return json.loads(said["application/json"]), said["text/html"]


def shown(key: Ed25519PublicKey) -> str:
    """As `/verify/` shows a public key."""
    return base64.b64encode(ED25519 + key.public_bytes_raw()).decode()


@pytest.fixture
def todays_key(settings: Any) -> str:
    settings.CHECKPOINT_KEY = ELSEWHERE["CHECKPOINT_KEY"]
    return shown(signing_key().public_key())


class TestNamed:
    def test_the_command_proves_the_certificate_from_the_records(self, moved: Moved) -> None:
        said = done(moved.knowing, "recompute_certificate", "--all")
        assert said.count(": proven. ") == 5, said
        assert "1 certificates proven." in said

    def test_the_page_finds_the_file_valid_and_shows_both_keys(self, moved: Moved, todays_key: str) -> None:
        answer, page = by_page(moved, moved.knowing)
        assert answer["state"] == "valid"
        assert all(each["holds"] for each in answer["checks"])
        old = moved.old_key.split("+", 2)[2]  # in base64 there may be more
        assert page.index(todays_key) < page.index("Former public key")
        assert f'--key "{todays_key}" --key "{old}"' in page
        assert by_script(moved, todays_key, old).returncode == 0

    def test_the_script_accepts_the_file_by_it(self, moved: Moved) -> None:
        ended = by_script(moved, moved.old_key)
        assert (ended.returncode, "DOES NOT HOLD" in ended.stdout) == (0, False)

    def test_it_may_be_named_as_the_page_showed_it(self, moved: Moved) -> None:
        old = shown(signing_key().public_key())
        assert moved.old_key.endswith(f"+{old}")
        assert "1 certificates proven." in done(moved.environment | {SETTING: old}, "recompute_certificate", "--all")


class TestNotNamed:
    def test_the_command_says_what_to_do(self, moved: Moved) -> None:
        ended = manage(moved.environment, "recompute_certificate", "--all")
        assert ended.returncode == 1
        assert "ledger: NOT PROVEN. None of this installation's keys signed the head" in ended.stdout
        assert f"name its public key in {SETTING}" in ended.stdout

    def test_the_page_neither_accepts_the_file_nor_calls_it_altered(self, moved: Moved) -> None:
        answer, page = by_page(moved, moved.environment)
        assert answer["state"] == "unknown_key"
        assert [each["name"] for each in answer["checks"] if not each["holds"]] == ["key_known"]
        assert "Not proven." in page
        assert SETTING in page
        assert "This file was altered" not in page

    def test_the_script_refuses_it_by_todays_key_and_says_why(self, moved: Moved, todays_key: str) -> None:
        ended = by_script(moved, todays_key)
        assert ended.returncode == 1
        assert ended.stdout.count("DOES NOT HOLD") == 1
        assert SETTING in ended.stdout

    def test_a_mistyped_one_stops_the_start(self, moved: Moved) -> None:
        ended = manage(moved.environment | {SETTING: moved.old_key[:-4]}, "recompute_certificate", "--all")
        assert ended.returncode != 0
        assert SETTING in ended.stderr.splitlines()[-1]
